/* Examines a capture in a text file: rows of time (s), charging post (V) and speed sensor (mV), after a header.
 *
 *     cc examine.c -I ../include -L ../../../target/release -lsixpulse_ffi -o examine && ./examine parked.csv
 *
 * Exit code: 0 examined, 1 refused, 2 not readable. */
#include "columns.h"
#include "sixpulse.h"

static void say_number(const SixpulseExamination *examination, const char *pointer, const char *unit) {
    double value;
    if (sixpulse_examination_number(examination, pointer, &value) == SIXPULSE_STATUS_OK)
        printf("%s = %.6g %s\n", pointer, value, unit);
    else
        printf("%s: %s\n", pointer, sixpulse_last_error_code());
}

static void say_text(const SixpulseExamination *examination, const char *pointer) {
    char text[1024];
    if (sixpulse_examination_text(examination, pointer, text, sizeof text, NULL) == SIXPULSE_STATUS_OK)
        printf("%s = %s\n", pointer, text);
    else
        printf("%s: %s\n", pointer, sixpulse_last_error_code());
}

static int say(const char *what) {
    fprintf(stderr, "%s: %s: %s\n", what, sixpulse_last_error_code(), sixpulse_last_error_message());
    return 1;
}

static int examine(const Columns *columns) {
    SixpulseCapture *capture = NULL;
    SixpulseExamination *examination = NULL;
    size_t findings = 0, i;
    int failed = 1;
    char pointer[64];

    if (sixpulse_capture_new(columns->sample_rate_hz, &capture) != SIXPULSE_STATUS_OK ||
        sixpulse_capture_add_f64(capture, "post", columns->post, columns->count, "dc", "charging_post") !=
            SIXPULSE_STATUS_OK ||
        sixpulse_capture_add_f64(capture, "speed", columns->speed, columns->count, "dc", "speed_sensor") !=
            SIXPULSE_STATUS_OK) {
        say("capture");
    } else if (sixpulse_examine(capture, NULL, &examination) != SIXPULSE_STATUS_OK) {
        say("examine");
    } else {
        failed = 0;
        say_number(examination, "/level/mean_v", "V");
        say_number(examination, "/ripple/rms_v", "V");
        say_number(examination, "/cycle/electrical_hz", "Hz");
        say_text(examination, "/rectifier/pattern");
        say_text(examination, "/contamination/speed/verdict");
        say_number(examination, "/contamination/speed/gain_v_per_v", "V/V");
        say_number(examination, "/contamination/speed/own_frequency_hz", "Hz");
        if (sixpulse_examination_count(examination, "/findings", &findings) != SIXPULSE_STATUS_OK) failed = say("findings");
        for (i = 0; i < findings; ++i) {
            snprintf(pointer, sizeof pointer, "/findings/%lu/statement", (unsigned long)i);
            say_text(examination, pointer);
        }
    }
    sixpulse_examination_free(examination);
    sixpulse_capture_free(capture);
    return failed;
}

int main(int count, char **words) {
    Columns columns = {NULL, NULL, 0, 0.0};
    int code = 2;
    if (count != 2 || !read_columns(words[1], &columns))
        fprintf(stderr, "usage: examine CAPTURE.csv (rows of time in s, post in V, speed sensor in mV)\n");
    else
        code = examine(&columns);
    free(columns.post);
    free(columns.speed);
    return code;
}
