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
  // What was captured does not tell: the entry is empty, and its neighbour `reason`, where there is one, says why.
  SIXPULSE_STATUS_NOT_DETERMINED = 6,
  // The caller's memory is too small; the size needed has been written.
  SIXPULSE_STATUS_BUFFER_TOO_SMALL = 7,
  // A defect of the library.
  SIXPULSE_STATUS_INTERNAL = 8,
} SixpulseStatus;

// Why a judgement is due.
typedef enum SixpulseJudgementDue {
  // None is.
  SIXPULSE_JUDGEMENT_DUE_NOTHING = 0,
  // The window is full for the first time since the start or the last gap.
  SIXPULSE_JUDGEMENT_DUE_FIRST_WINDOW = 1,
  // The time set between judgements is over.
  SIXPULSE_JUDGEMENT_DUE_INTERVAL = 2,
  // The cycle that was followed is lost.
  SIXPULSE_JUDGEMENT_DUE_CYCLE_LOST = 3,
} SixpulseJudgementDue;

// Traces of one capture.
typedef struct SixpulseCapture SixpulseCapture;

// What a capture says.
typedef struct SixpulseExamination SixpulseExamination;

// Rolling figures of one stream.
typedef struct SixpulseMonitor SixpulseMonitor;

// What a monitor is built from: its channels, in the order in which their samples will be pushed, and its times.
typedef struct SixpulseMonitorSettings SixpulseMonitorSettings;

// What is known besides the capture; what is not set is not known.
typedef struct SixpulseOptions SixpulseOptions;

// Figures or events of a monitor, as they were when they were asked for.
typedef struct SixpulseReading SixpulseReading;

// Samples that arrive together on one channel, in the form that the channel was set up for; the other two pointers are null.
typedef struct SixpulseChunk {
  // Values in the channel's unit.
  const double *f64;
  // Values in the channel's unit.
  const float *f32;
  // Counts of the converter.
  const int16_t *i16;
} SixpulseChunk;

// What a push did.
typedef struct SixpulsePushed {
  // Samples pushed on each channel so far, and lost in gaps.
  uint64_t position;
  // Hops that this push completed: the reading is new where it is not 0.
  uint64_t updates;
  // Why `sixpulse_monitor_judge` should be called, where it should.
  enum SixpulseJudgementDue judgement_due;
} SixpulsePushed;

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

// Makes a monitor: allocates everything that pushing will need. The settings may be freed afterwards, or used again.
//
// `options`: null where nothing else is known; with an electrical frequency the cycle is followed from the first sample.
//
// # Safety
// `settings` is a live handle and `options` null or one, which nobody changes meanwhile; `out` is null or may be written.
enum SixpulseStatus sixpulse_monitor_new(const struct SixpulseMonitorSettings *settings,
                                         const struct SixpulseOptions *options,
                                         struct SixpulseMonitor **out);

// Takes the next samples of every channel: `chunks` in the order in which the channels were added, `samples` of each.
// Allocates nothing when it succeeds. After a refusal the monitor is as it was.
//
// `chunk_count`: how many channels `chunks` describes. `samples` may be 0. `pushed`: may be null.
//
// # Safety
// `monitor` is a live handle that nobody else uses meanwhile; `chunks` points to `chunk_count` entries, of which the pointer
// that is not null points to `samples` values; `pushed` is null or may be written.
enum SixpulseStatus sixpulse_monitor_push(struct SixpulseMonitor *monitor,
                                          const struct SixpulseChunk *chunks,
                                          size_t chunk_count,
                                          size_t samples,
                                          struct SixpulsePushed *pushed);

// As `sixpulse_monitor_push`, with the time of the first sample in seconds, on any clock that does not run backwards: later
// than the end of the chunk before by more than the tolerance is a gap.
//
// # Safety
// As `sixpulse_monitor_push`.
enum SixpulseStatus sixpulse_monitor_push_at(struct SixpulseMonitor *monitor,
                                             const struct SixpulseChunk *chunks,
                                             size_t chunk_count,
                                             size_t samples,
                                             double start_s,
                                             struct SixpulsePushed *pushed);

// Tells that samples are missing: the window begins anew behind them, the cycle is taken up again at the frequency it had,
// the last judgement stays and grows old. 0 changes nothing.
//
// # Safety
// `monitor` is a live handle that nobody else uses meanwhile.
enum SixpulseStatus sixpulse_monitor_gap(struct SixpulseMonitor *monitor,
                                         uint64_t lost_samples);

// Goes on at another sample rate: everything begins anew; positions, events and the last judgement stay. Allocates.
//
// # Safety
// As `sixpulse_monitor_gap`.
enum SixpulseStatus sixpulse_monitor_change_rate(struct SixpulseMonitor *monitor, double sample_rate_hz);

// Begins with another stream: positions, counters, events and the last judgement go; channels and settings stay. Allocates.
//
// # Safety
// As `sixpulse_monitor_gap`.
enum SixpulseStatus sixpulse_monitor_reset(struct SixpulseMonitor *monitor);

// Tells the engine's speed from now on, 1/min; null where it is no longer known.
//
// # Safety
// As `sixpulse_monitor_gap`; `engine_rpm` is null or may be read.
enum SixpulseStatus sixpulse_monitor_set_engine_rpm(struct SixpulseMonitor *monitor, const double *engine_rpm);

// Tells the battery's temperature from now on, degrees Celsius; null where it is no longer known.
//
// # Safety
// As `sixpulse_monitor_gap`; `temperature_c` is null or may be read.
enum SixpulseStatus sixpulse_monitor_set_battery_temperature_c(struct SixpulseMonitor *monitor,
                                                               const double *temperature_c);

// Examines the window that the reading covers, and takes the verdicts over into the reading. Takes the time and the memory
// of one `sixpulse_examine` of the window; refused (`too_short`) until a hop is complete.
//
// `out`: the whole examination; null where only the reading is wanted.
//
// # Safety
// As `sixpulse_monitor_gap`; `out` is null or may be written.
enum SixpulseStatus sixpulse_monitor_judge(struct SixpulseMonitor *monitor,
                                           struct SixpulseExamination **out);

// The window that the reading covers, as a capture: to be examined elsewhere while the stream goes on, or kept.
//
// # Safety
// `monitor` is a live handle that nobody changes meanwhile; `out` is null or may be written.
enum SixpulseStatus sixpulse_monitor_window(const struct SixpulseMonitor *monitor, struct SixpulseCapture **out);

// A copy of the newest figures, which stays as it is while the stream goes on; free it with `sixpulse_reading_free`.
// Its entries are those of the published schema `monitor_reading-1`. Allocates.
//
// # Safety
// As `sixpulse_monitor_window`.
enum SixpulseStatus sixpulse_monitor_reading(const struct SixpulseMonitor *monitor, struct SixpulseReading **out);

// The newest events, at most 64, as a reading that is a list, the oldest first: `/0/kind` (`gap`, `rate_change`,
// `cycle_found`, `cycle_lost`, `pattern_changed`), `/0/sequence`, `/0/at_sample`, `/0/lost_samples`, `/0/pattern`,
// `/0/frequency_hz`; the empty pointer counts them.
//
// # Safety
// As `sixpulse_monitor_window`.
enum SixpulseStatus sixpulse_monitor_events(const struct SixpulseMonitor *monitor, struct SixpulseReading **out);

// Bytes of the buffers that were allocated when the monitor was made; pushing adds none.
//
// # Safety
// As `sixpulse_monitor_window`.
enum SixpulseStatus sixpulse_monitor_buffer_bytes(const struct SixpulseMonitor *monitor, size_t *out);

// Frees a monitor.
//
// # Safety
// `monitor` is null or a live handle that nobody uses any more.
void sixpulse_monitor_free(struct SixpulseMonitor *monitor);

// Makes settings without channels.
//
// `sample_rate_hz`: samples per second of every channel. `window_s`: length of the window that the figures cover, 0.1 to
// 60 s, and 256 to 10 million samples. Everything is checked when the monitor is made.
//
// # Safety
// `out` is null or may be written.
enum SixpulseStatus sixpulse_monitor_settings_new(double sample_rate_hz,
                                                  double window_s,
                                                  struct SixpulseMonitorSettings **out);

// Adds a channel that delivers values in volts (amperes for a current role), kept in 8 bytes each; single precision may be
// pushed too.
//
// `coupling`, `role`: as in `sixpulse_capture_add_f64`. One channel at least is at the charging post or the battery post.
//
// # Safety
// `settings` is a live handle that nobody else uses meanwhile; the texts end with a zero.
enum SixpulseStatus sixpulse_monitor_settings_add_f64(struct SixpulseMonitorSettings *settings,
                                                      const char *name,
                                                      const char *coupling,
                                                      const char *role);

// As `sixpulse_monitor_settings_add_f64`, for values in single precision, kept in 4 bytes each.
//
// # Safety
// As `sixpulse_monitor_settings_add_f64`.
enum SixpulseStatus sixpulse_monitor_settings_add_f32(struct SixpulseMonitorSettings *settings,
                                                      const char *name,
                                                      const char *coupling,
                                                      const char *role);

// As `sixpulse_monitor_settings_add_f64`, for converter counts, kept in 2 bytes each: value = count * `scale` + `offset`;
// `scale` is not 0.
//
// # Safety
// As `sixpulse_monitor_settings_add_f64`.
enum SixpulseStatus sixpulse_monitor_settings_add_i16(struct SixpulseMonitorSettings *settings,
                                                      const char *name,
                                                      double scale,
                                                      double offset,
                                                      const char *coupling,
                                                      const char *role);

// Tells the ends of a channel's range, in its unit: samples at or beyond them count as clipped. Without it, counts at the
// ends of 16 bits do, and values never.
//
// # Safety
// `settings` is a live handle that nobody else uses meanwhile; `name` ends with a zero.
enum SixpulseStatus sixpulse_monitor_settings_set_range(struct SixpulseMonitorSettings *settings,
                                                        const char *name,
                                                        double low,
                                                        double high);

// Tells the corner of the instrument's AC coupling, hertz (AC-coupled channels only).
//
// # Safety
// As `sixpulse_monitor_settings_set_range`.
enum SixpulseStatus sixpulse_monitor_settings_set_coupling_corner_hz(struct SixpulseMonitorSettings *settings,
                                                                     const char *name,
                                                                     double corner_hz);

// Sets the time after which another judgement is due, seconds; one window unless set.
//
// # Safety
// `settings` is a live handle that nobody else uses meanwhile.
enum SixpulseStatus sixpulse_monitor_settings_set_judge_every_s(struct SixpulseMonitorSettings *settings,
                                                                double judge_every_s);

// Sets by how much a time stamp may be off before it means a gap, seconds; two sample intervals unless set.
//
// # Safety
// As `sixpulse_monitor_settings_set_judge_every_s`.
enum SixpulseStatus sixpulse_monitor_settings_set_time_tolerance_s(struct SixpulseMonitorSettings *settings,
                                                                   double time_tolerance_s);

// Frees settings.
//
// # Safety
// `settings` is null or a live handle that nobody uses any more.
void sixpulse_monitor_settings_free(struct SixpulseMonitorSettings *settings);

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

// Reads a number, such as `/level/mean_v` or `/ripple/rms_v`.
//
// # Safety
// `reading` is a live handle; `pointer` ends with a zero; `out` is null or may be written.
enum SixpulseStatus sixpulse_reading_number(const struct SixpulseReading *reading, const char *pointer, double *out);

// Reads a list of numbers, such as `/cycle/order_amplitudes_v`, as `sixpulse_examination_numbers` does.
//
// # Safety
// As `sixpulse_reading_number`; `buffer` may be written for `capacity` values, or is null with a capacity of 0; `needed` is
// null or may be written.
enum SixpulseStatus sixpulse_reading_numbers(const struct SixpulseReading *reading,
                                             const char *pointer,
                                             double *buffer,
                                             size_t capacity,
                                             size_t *needed);

// Counts the entries of a list or an object, such as `/contamination`.
//
// # Safety
// As `sixpulse_reading_number`.
enum SixpulseStatus sixpulse_reading_count(const struct SixpulseReading *reading, const char *pointer, size_t *out);

// Reads a text, such as `/rectifier/pattern`, as `sixpulse_examination_text` does.
//
// # Safety
// As `sixpulse_reading_numbers`.
enum SixpulseStatus sixpulse_reading_text(const struct SixpulseReading *reading,
                                          const char *pointer,
                                          char *buffer,
                                          size_t capacity,
                                          size_t *needed);

// The whole reading as JSON of the published schema `monitor_reading-1`, as `sixpulse_examination_json` does.
//
// # Safety
// As `sixpulse_reading_numbers`.
enum SixpulseStatus sixpulse_reading_json(const struct SixpulseReading *reading,
                                          char *buffer,
                                          size_t capacity,
                                          size_t *needed);

// Frees a reading.
//
// # Safety
// `reading` is null or a live handle that nobody uses any more.
void sixpulse_reading_free(struct SixpulseReading *reading);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* SIXPULSE_H */
