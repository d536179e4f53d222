// Generated from crates/sixpulse-ffi/src by its test `header`; do not edit. License: MIT OR Apache-2.0.

#ifndef SIXPULSE_H
#define SIXPULSE_H

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

// How a call ended.
typedef enum SixpulseStatus {
  // It did what was asked.
  SIXPULSE_STATUS_OK = 0,
  // The library refused an input; `sixpulse_last_error_code` gives its stable code, such as `out_of_range`.
  SIXPULSE_STATUS_REFUSED = 1,
  // A pointer is null, or not aligned for what it points to.
  SIXPULSE_STATUS_INVALID_POINTER = 2,
  // A text is not UTF-8.
  SIXPULSE_STATUS_INVALID_TEXT = 3,
  // The result has no such entry.
  SIXPULSE_STATUS_UNKNOWN_NAME = 4,
  // The entry is there, but it is no number, text or list, as asked for.
  SIXPULSE_STATUS_WRONG_TYPE = 5,
  // The capture does not tell: the entry is empty, and its neighbour `reason`, where there is one, says why.
  SIXPULSE_STATUS_NOT_DETERMINED = 6,
  // The caller's memory is too small; the size needed has been written.
  SIXPULSE_STATUS_BUFFER_TOO_SMALL = 7,
  // A defect of the library.
  SIXPULSE_STATUS_INTERNAL = 8,
} SixpulseStatus;

// Traces of one capture.
typedef struct SixpulseCapture SixpulseCapture;

// What a capture says.
typedef struct SixpulseExamination SixpulseExamination;

// What is known besides the capture; what is not set is not known.
typedef struct SixpulseOptions SixpulseOptions;

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

// Version of the library, such as `0.1.0`; valid for the life of the process.
const char *sixpulse_version(void);

// Makes an empty capture.
//
// `sample_rate_hz`: samples per second of every trace, above 0 (checked with the first trace).
//
// # Safety
// `out` is null or may be written.
enum SixpulseStatus sixpulse_capture_new(double sample_rate_hz, struct SixpulseCapture **out);

// Adds a trace of `count` values in volts (amperes for a current role). The samples are copied.
//
// `coupling`: `dc` or `ac`. `role`: `charging_post`, `battery_post`, `speed_sensor`, `edge_sensor`,
// `charging_current`, `battery_current` or `other`. All traces of a capture have the same length and different names;
// a trace that is refused leaves the capture as it was.
//
// # Safety
// `capture` is a live handle that nobody else uses meanwhile; the texts end with a zero; `samples` points to `count`
// values.
enum SixpulseStatus sixpulse_capture_add_f64(struct SixpulseCapture *capture,
                                             const char *name,
                                             const double *samples,
                                             size_t count,
                                             const char *coupling,
                                             const char *role);

// As `sixpulse_capture_add_f64`, for single precision.
//
// # Safety
// As `sixpulse_capture_add_f64`.
enum SixpulseStatus sixpulse_capture_add_f32(struct SixpulseCapture *capture,
                                             const char *name,
                                             const float *samples,
                                             size_t count,
                                             const char *coupling,
                                             const char *role);

// As `sixpulse_capture_add_f64`, for converter counts: value = count * `scale` + `offset`; `scale` is not 0.
//
// # Safety
// As `sixpulse_capture_add_f64`.
enum SixpulseStatus sixpulse_capture_add_i16(struct SixpulseCapture *capture,
                                             const char *name,
                                             const int16_t *counts,
                                             size_t count,
                                             double scale,
                                             double offset,
                                             const char *coupling,
                                             const char *role);

// Tells the engine's speed, 1/min (0 or more; checked when the capture is examined).
//
// # Safety
// `capture` is a live handle that nobody else uses meanwhile.
enum SixpulseStatus sixpulse_capture_set_engine_rpm(struct SixpulseCapture *capture, double engine_rpm);

// Tells the battery's temperature, degrees Celsius (checked when the capture is examined).
//
// # Safety
// As `sixpulse_capture_set_engine_rpm`.
enum SixpulseStatus sixpulse_capture_set_battery_temperature_c(struct SixpulseCapture *capture, double temperature_c);

// Frees a capture.
//
// # Safety
// `capture` is null or a live handle that nobody uses any more.
void sixpulse_capture_free(struct SixpulseCapture *capture);

// Examines a capture: fitness, level, ripple, electrical cycle, rectifier pattern, contamination, findings.
//
// `options`: null where nothing else is known.
//
// # Safety
// `capture` is a live handle and `options` null or one, which nobody changes meanwhile; `out` is null or may be written.
enum SixpulseStatus sixpulse_examine(const struct SixpulseCapture *capture,
                                     const struct SixpulseOptions *options,
                                     struct SixpulseExamination **out);

// Reads a number, such as `/ripple/rms_v`. A logical entry, such as `/quality/usable`, is read as 0 or 1.
//
// # Safety
// `examination` is a live handle; `pointer` ends with a zero; `out` is null or may be written.
enum SixpulseStatus sixpulse_examination_number(const struct SixpulseExamination *examination,
                                                const char *pointer,
                                                double *out);

// Reads a list of numbers, such as `/cycle/order_amplitudes_v`, into memory for `capacity` of them.
//
// `needed`: the list's length, written even where the memory is too small; may be null.
//
// # Safety
// As `sixpulse_examination_number`; `buffer` may be written for `capacity` values, or is null with a capacity of 0.
enum SixpulseStatus sixpulse_examination_numbers(const struct SixpulseExamination *examination,
                                                 const char *pointer,
                                                 double *buffer,
                                                 size_t capacity,
                                                 size_t *needed);

// Counts the entries of a list or an object, such as `/findings`.
//
// # Safety
// As `sixpulse_examination_number`.
enum SixpulseStatus sixpulse_examination_count(const struct SixpulseExamination *examination,
                                               const char *pointer,
                                               size_t *out);

// Reads a text, such as `/rectifier/pattern`, with a closing zero into memory for `capacity` bytes.
//
// `needed`: bytes with the zero, written even where the memory is too small; may be null.
//
// # Safety
// As `sixpulse_examination_numbers`.
enum SixpulseStatus sixpulse_examination_text(const struct SixpulseExamination *examination,
                                              const char *pointer,
                                              char *buffer,
                                              size_t capacity,
                                              size_t *needed);

// The whole examination as JSON of the published schema, written as by `sixpulse_examination_text`.
//
// # Safety
// As `sixpulse_examination_numbers`.
enum SixpulseStatus sixpulse_examination_json(const struct SixpulseExamination *examination,
                                              char *buffer,
                                              size_t capacity,
                                              size_t *needed);

// Frees an examination.
//
// # Safety
// `examination` is null or a live handle that nobody uses any more.
void sixpulse_examination_free(struct SixpulseExamination *examination);

// Stable code of this thread's last failure, empty before the first; valid until the next failure on this thread.
const char *sixpulse_last_error_code(void);

// The same failure in words, naming the parameter and the range; valid as long.
const char *sixpulse_last_error_message(void);

// Makes options in which nothing is known.
//
// # Safety
// `out` is null or may be written.
enum SixpulseStatus sixpulse_options_new(struct SixpulseOptions **out);

// Tells the electrical frequency, hertz (soft evidence; checked against the sample rate when a capture is examined).
//
// # Safety
// `options` is a live handle that nobody else uses meanwhile.
enum SixpulseStatus sixpulse_options_set_electrical_hz(struct SixpulseOptions *options, double electrical_hz);

// Tells what is known of the alternator.
//
// `pole_pairs`: 1 to 24, null where not known. `pulley_ratio`: alternator speed / engine speed, 0.2 to 10, null where not
// known. `pulse_number`: 6 or 12.
//
// # Safety
// `options` is a live handle that nobody else uses meanwhile; the pointers are null or may be read.
enum SixpulseStatus sixpulse_options_set_machine(struct SixpulseOptions *options,
                                                 const uint32_t *pole_pairs,
                                                 const double *pulley_ratio,
                                                 uint32_t pulse_number);

// Frees options.
//
// # Safety
// `options` is null or a live handle that nobody uses any more.
void sixpulse_options_free(struct SixpulseOptions *options);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* SIXPULSE_H */
