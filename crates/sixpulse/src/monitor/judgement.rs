//! The other path: the whole examination of the window, on demand. It allocates.

use super::reading::JudgementDue;
use super::stream::event;
use super::{
    Capture, Channel, Cycle, Error, EventKind, Examination, ExamineOptions, Found, HOPS, LEAST_IN_A_QUARTER, Monitor,
    MonitorEvent, MonitorReading, MonitorSettings, Pattern, Result, examine,
};

impl Monitor {
    /// The newest figures; lent, not copied. They change with the next push.
    #[must_use]
    pub fn reading(&self) -> &MonitorReading {
        &self.reading
    }

    /// Why a judgement is due, where one is.
    #[must_use]
    pub fn judgement_due(&self) -> Option<JudgementDue> {
        self.due
    }

    /// The newest events, the oldest first; at most [`super::EVENTS_KEPT`], those before are dropped.
    pub fn events(&self) -> impl Iterator<Item = &MonitorEvent> {
        self.events.iter()
    }

    /// The channels, in the order in which chunks are pushed.
    pub fn channels(&self) -> impl Iterator<Item = &Channel> {
        self.inputs.iter().map(|i| &i.channel)
    }

    /// What the monitor was built from.
    #[must_use]
    pub fn settings(&self) -> &MonitorSettings {
        &self.settings
    }

    /// Bytes of the buffers that were allocated at construction; pushing adds none.
    #[must_use]
    pub fn buffer_bytes(&self) -> usize {
        self.inputs.iter().map(|i| i.ring.bytes() + i.blocks.bytes()).sum::<usize>() + self.tracker.bytes()
    }

    /// The window that the reading covers, as a capture.
    ///
    /// # Errors
    /// [`Error::TooShort`] until a hop is complete.
    pub fn window(&self) -> Result<Capture> {
        if self.hops == 0 {
            let (minimum, actual) = (self.grid.hop(), self.blocks_in_hop * self.grid.block + self.fill);
            return Err(Error::TooShort { parameter: "window".into(), minimum, actual });
        }
        let ring_blocks = self.grid.ring_blocks();
        let blocks = self.hops * self.grid.blocks_per_hop;
        let first = (self.ring_block + 2 * ring_blocks - self.blocks_in_hop - blocks) % ring_blocks;
        let (at, len) = (first * self.grid.block, blocks * self.grid.block);
        let traces = self
            .inputs
            .iter()
            .map(|i| {
                let trace = i.channel.trace(i.ring.copy(at, len), self.settings.sample_rate_hz)?;
                Ok((i.channel.name().to_owned(), trace))
            })
            .collect::<Result<_>>()?;
        self.settings.describe(Capture::new(traces)?)
    }

    /// Examines the window that the reading covers, and takes the verdicts over into the reading; the cycle found is
    /// followed from the next hop on. Takes the time of one [`examine`] of the window.
    ///
    /// # Errors
    /// [`Error::TooShort`] until a hop is complete; otherwise as [`examine`].
    pub fn judge(&mut self) -> Result<Examination> {
        let window = self.window()?;
        let options = ExamineOptions { machine: self.settings.machine, electrical_hz: self.settings.electrical_hz };
        let found = examine(&window, &options)?;
        self.take_over(&found);
        Ok(found)
    }

    fn take_over(&mut self, found: &Examination) {
        let (before, judged) = (self.reading.rectifier.pattern, self.reading.rectifier.end_sample.is_some());
        let end_sample = self.reading.end_sample;
        self.reading.judged(found, end_sample);
        self.judged_at_s = Some(self.time_s(end_sample));
        let pattern = found.rectifier.pattern;
        if pattern != before || !judged {
            let changed = event(EventKind::PatternChanged, end_sample);
            self.record(MonitorEvent { pattern: Some(pattern), ..changed });
        }
        self.found = newest_hz(&found.cycle).map(|hz| Found { hz, certain: pattern != Pattern::Undetermined });
        self.due = None;
        self.judged_since_restart = self.hops == HOPS;
        self.hops_to_judge = self.hops_between_judgements();
        self.update_ages();
    }

    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates, which means never")]
    fn hops_between_judgements(&self) -> usize {
        let every_s = self.settings.judge_every_s.unwrap_or(self.reading.window_s);
        // A thousandth of a hop of slack: an interval of whole hops must not round up.
        (every_s / self.reading.update_interval_s - 1e-3).ceil().max(1.0) as usize
    }

    /// Tells the monitor the engine's speed from now on, 1/min; `None` where it is no longer known.
    ///
    /// # Errors
    /// [`Error::OutOfRange`]; then nothing has changed.
    pub fn set_engine_rpm(&mut self, engine_rpm: Option<f64>) -> Result<()> {
        self.change(MonitorSettings { engine_rpm, ..self.settings })
    }

    /// Tells the monitor the battery's temperature from now on, degrees Celsius.
    ///
    /// # Errors
    /// [`Error::OutOfRange`]; then nothing has changed.
    pub fn set_battery_temperature_c(&mut self, temperature_c: Option<f64>) -> Result<()> {
        self.change(MonitorSettings { battery_temperature_c: temperature_c, ..self.settings })
    }

    fn change(&mut self, settings: MonitorSettings) -> Result<()> {
        let channels: Vec<Channel> = self.channels().cloned().collect();
        settings.check(&channels)?;
        self.settings = settings;
        Ok(())
    }

    /// Goes on at another sample rate: everything begins anew, as at construction (which it costs); positions, events and
    /// the last judgement stay.
    ///
    /// # Errors
    /// As [`Monitor::new`]; then nothing has changed.
    pub fn change_rate(&mut self, sample_rate_hz: f64) -> Result<()> {
        let settings = MonitorSettings { sample_rate_hz, ..self.settings };
        let mut new = Self::new(self.channels().cloned().collect(), settings)?;
        new.before = (self.reading.position, self.reading.time_s);
        new.judged_at_s = self.judged_at_s;
        std::mem::swap(&mut new.events, &mut self.events);
        let (old, fresh) = (&mut self.reading, &mut new.reading);
        fresh.position = old.position;
        // Nothing of the new rate is covered yet.
        fresh.end_sample = old.position;
        fresh.event_count = old.event_count;
        fresh.gap_count = old.gap_count;
        fresh.lost_samples = old.lost_samples;
        std::mem::swap(&mut fresh.rectifier, &mut old.rectifier);
        for ((_, f), (_, o)) in fresh.channels.iter_mut().zip(&old.channels) {
            f.clipped_samples_total = o.clipped_samples_total;
        }
        for ((_, f), (_, o)) in fresh.contamination.iter_mut().zip(&old.contamination) {
            f.clone_from(o);
            f.follow(None, 0);
        }
        let at_sample = fresh.position;
        *self = new;
        self.record(MonitorEvent { frequency_hz: Some(sample_rate_hz), ..event(EventKind::RateChange, at_sample) });
        self.update_ages();
        Ok(())
    }

    /// Begins with another stream of the same channels and settings: positions, counters, events and the last judgement go
    /// too. Allocates what construction does.
    ///
    /// # Errors
    /// As [`Monitor::new`]; then nothing has changed.
    pub fn reset(&mut self) -> Result<()> {
        *self = Self::new(self.channels().cloned().collect(), self.settings)?;
        Ok(())
    }

    /// Refuses a stream at another rate than the monitor's: for sources that state their rate with every chunk.
    ///
    /// # Errors
    /// [`Error::RateMismatch`].
    #[allow(clippy::float_cmp, reason = "a rate comes from one setting and is equal exactly")]
    pub fn check_rate(&self, sample_rate_hz: f64) -> Result<()> {
        let expected_hz = self.settings.sample_rate_hz;
        if sample_rate_hz == expected_hz {
            return Ok(());
        }
        Err(Error::RateMismatch { parameter: "sample_rate_hz".into(), expected_hz, actual_hz: sample_rate_hz })
    }
}

/// Frequency to expect when the next hop begins: the line through the means of the window's last two quarters, carried
/// on to one hop beyond the window; a plain mean where the track has too few points for quarters.
fn newest_hz(cycle: &Cycle) -> Option<f64> {
    let mean_hz = cycle.electrical_hz?;
    let track = &cycle.track_electrical_hz;
    let quarter = track.len() / 4;
    if quarter < LEAST_IN_A_QUARTER {
        return Some(mean_hz);
    }
    let (rest, newest) = track.split_at(track.len() - quarter);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let (before, now) = (mean(&rest[rest.len() - quarter..]), mean(newest));
    // From the middle of the last quarter to a hop beyond its end, in quarters.
    let ahead = 0.5 + 4.0 / HOPS as f64;
    Some(now + ahead * (now - before)).filter(|hz| *hz > 0.0)
}
