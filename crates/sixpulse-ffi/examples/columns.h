/* Rows of time (s), charging post (V) and speed sensor (mV) from a text file; what both examples read. */
#ifndef COLUMNS_H
#define COLUMNS_H

#include <stdio.h>
#include <stdlib.h>

typedef struct {
    double *post, *speed;
    size_t count;
    double sample_rate_hz;
} Columns;

static int read_columns(const char *path, Columns *columns) {
    FILE *file = fopen(path, "r");
    char line[512];
    size_t capacity = 0;
    double first_s = 0.0, last_s = 0.0;
    if (!file) return 0;
    while (fgets(line, sizeof line, file)) {
        double time_s, post, speed;
        if (sscanf(line, "%lf,%lf,%lf", &time_s, &post, &speed) != 3) continue;
        if (columns->count == capacity) {
            double *more_post, *more_speed;
            capacity = capacity ? 2 * capacity : 4096;
            more_post = realloc(columns->post, capacity * sizeof(double));
            if (more_post) columns->post = more_post;
            more_speed = realloc(columns->speed, capacity * sizeof(double));
            if (more_speed) columns->speed = more_speed;
            if (!more_post || !more_speed) break;
        }
        if (columns->count == 0) first_s = time_s;
        last_s = time_s;
        columns->post[columns->count] = post;
        columns->speed[columns->count++] = 1e-3 * speed;
    }
    fclose(file);
    if (columns->count < 2 || last_s <= first_s) return 0;
    columns->sample_rate_hz = (double)(columns->count - 1) / (last_s - first_s);
    return 1;
}

#endif
