/* Streams a capture through a monitor in chunks of 256 samples, as an instrument would deliver it. The file holds rows of
 * time (s), charging post (V) and speed sensor (mV), after a header.
 *
 *     cc monitor.c -I ../include -L ../../../target/release -lsixpulse_ffi -o monitor && ./monitor parked.csv
 *
 * Exit code: 0 watched, 1 refused, 2 not readable. */
#include "columns.h"
#include "sixpulse.h"

#include <math.h>

#define CHUNK 256
#define OK SIXPULSE_STATUS_OK

static const char *const WHY[] = {"nothing", "first_window", "interval", "cycle_lost"};

static int say(const char *what) {
    fprintf(stderr, "%s: %s: %s\n", what, sixpulse_last_error_code(), sixpulse_last_error_message());
    return 0;
}

/* The handle of the monitor; NULL where it is refused. */
static SixpulseMonitor *set_up(double sample_rate_hz) {
    SixpulseMonitorSettings *settings = NULL;
    SixpulseMonitor *monitor = NULL;
    if (sixpulse_monitor_settings_new(sample_rate_hz, 0.1, &settings) != OK ||
        sixpulse_monitor_settings_add_f64(settings, "post", "dc", "charging_post") != OK ||
        sixpulse_monitor_settings_add_f64(settings, "speed", "dc", "speed_sensor") != OK ||
        sixpulse_monitor_settings_set_range(settings, "post", 0.0, 40.0) != OK ||
        sixpulse_monitor_new(settings, NULL, &monitor) != OK)
        say("monitor");
    sixpulse_monitor_settings_free(settings);
    return monitor;
}

/* A number of a reading, or a dash where it is not determined. */
static const char *number(const SixpulseReading *reading, const char *pointer, const char *format, char *text, size_t size) {
    double value;
    if (sixpulse_reading_number(reading, pointer, &value) != OK) return "-";
    snprintf(text, size, format, value);
    return text;
}

static int show(const SixpulseMonitor *monitor, const char *what) {
    SixpulseReading *reading = NULL;
    char time_s[32], mean_v[32], ripple_v[32], hz[32], gain[32], pattern[64] = "", verdict[64] = "";
    if (sixpulse_monitor_reading(monitor, &reading) != OK) return say("reading");
    sixpulse_reading_text(reading, "/rectifier/pattern", pattern, sizeof pattern, NULL);
    sixpulse_reading_text(reading, "/contamination/speed/verdict", verdict, sizeof verdict, NULL);
    printf("%s s: %s: %s; %s V, ripple %s V, cycle %s Hz; speed: %s, %s V/V\n",
           number(reading, "/time_s", "%.3f", time_s, sizeof time_s), what, pattern,
           number(reading, "/level/mean_v", "%.2f", mean_v, sizeof mean_v),
           number(reading, "/ripple/peak_to_peak_v", "%.3f", ripple_v, sizeof ripple_v),
           number(reading, "/cycle/electrical_hz", "%.1f", hz, sizeof hz), verdict,
           number(reading, "/contamination/speed/synchronous_gain_v_per_v", "%.4f", gain, sizeof gain));
    sixpulse_reading_free(reading);
    return 1;
}

/* Pushes the columns, judging whenever a judgement is due. */
static int stream(SixpulseMonitor *monitor, const Columns *columns) {
    size_t from, count;
    char what[64];
    for (from = 0; from < columns->count; from += count) {
        SixpulseChunk chunks[2] = {{NULL, NULL, NULL}, {NULL, NULL, NULL}};
        SixpulsePushed pushed;
        count = columns->count - from < CHUNK ? columns->count - from : CHUNK;
        chunks[0].f64 = columns->post + from;
        chunks[1].f64 = columns->speed + from;
        if (sixpulse_monitor_push(monitor, chunks, 2, count, &pushed) != OK) return say("push");
        if (pushed.judgement_due == SIXPULSE_JUDGEMENT_DUE_NOTHING) continue;
        if (sixpulse_monitor_judge(monitor, NULL) != OK) return say("judge");
        snprintf(what, sizeof what, "judged (%s)", WHY[pushed.judgement_due]);
        if (!show(monitor, what)) return 0;
    }
    return 1;
}

/* A NaN is refused and changes nothing; a gap empties the window. */
static int disturb(SixpulseMonitor *monitor) {
    double post[2] = {14.0, 14.0}, speed[2] = {2.5, 0.0};
    SixpulseChunk chunks[2] = {{NULL, NULL, NULL}, {NULL, NULL, NULL}};
    SixpulseReading *reading = NULL;
    double level;
    speed[1] = NAN;
    chunks[0].f64 = post;
    chunks[1].f64 = speed;
    if (sixpulse_monitor_push(monitor, chunks, 2, 2, NULL) == OK) return 0;
    printf("refused: %s: %s\n", sixpulse_last_error_code(), sixpulse_last_error_message());
    if (sixpulse_monitor_gap(monitor, 5000) != OK || sixpulse_monitor_reading(monitor, &reading) != OK) return say("gap");
    if (sixpulse_reading_number(reading, "/level/mean_v", &level) == SIXPULSE_STATUS_NOT_DETERMINED)
        printf("after the gap: no level yet\n");
    sixpulse_reading_free(reading);
    return 1;
}

static int tell_events(const SixpulseMonitor *monitor) {
    SixpulseReading *events = NULL;
    size_t count = 0, i;
    if (sixpulse_monitor_events(monitor, &events) != OK || sixpulse_reading_count(events, "", &count) != OK)
        return say("events");
    for (i = 0; i < count; ++i) {
        char pointer[64], kind[32] = "", at[32], lost[32];
        snprintf(pointer, sizeof pointer, "/%lu/kind", (unsigned long)i);
        sixpulse_reading_text(events, pointer, kind, sizeof kind, NULL);
        snprintf(pointer, sizeof pointer, "/%lu/at_sample", (unsigned long)i);
        printf("event at sample %s: %s", number(events, pointer, "%.0f", at, sizeof at), kind);
        snprintf(pointer, sizeof pointer, "/%lu/lost_samples", (unsigned long)i);
        if (number(events, pointer, "%.0f", lost, sizeof lost) == lost) printf(", %s samples lost", lost);
        printf("\n");
    }
    sixpulse_reading_free(events);
    return 1;
}

static int begin_anew(SixpulseMonitor *monitor) {
    SixpulsePushed pushed;
    SixpulseChunk chunks[2] = {{NULL, NULL, NULL}, {NULL, NULL, NULL}};
    double nothing = 0.0;
    chunks[0].f64 = chunks[1].f64 = &nothing;
    if (sixpulse_monitor_reset(monitor) != OK || sixpulse_monitor_push(monitor, chunks, 2, 0, &pushed) != OK)
        return say("reset");
    printf("reset: position %lu\n", (unsigned long)pushed.position);
    return 1;
}

int main(int count, char **words) {
    Columns columns = {NULL, NULL, 0, 0.0};
    int code = 2;
    if (count != 2 || !read_columns(words[1], &columns)) {
        fprintf(stderr, "usage: monitor CAPTURE.csv (rows of time in s, post in V, speed sensor in mV)\n");
    } else {
        SixpulseMonitor *monitor = set_up(columns.sample_rate_hz);
        int watched = monitor && stream(monitor, &columns) && show(monitor, "at the end") && disturb(monitor) &&
                      tell_events(monitor) && begin_anew(monitor);
        sixpulse_monitor_free(monitor);
        code = watched ? 0 : 1;
    }
    free(columns.post);
    free(columns.speed);
    return code;
}
