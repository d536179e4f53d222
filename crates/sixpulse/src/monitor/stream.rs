//! The path of the samples: in by chunks, through blocks and hops, to the reading. Nothing here allocates but errors.

use super::reading::{MonitorRipple, NoCycle, passed};
use super::{
    Block, Chunk, EVENTS_KEPT, Error, EventKind, Followed, HOPS, JudgementDue, Monitor, MonitorEvent, Pushed, Result,
};

impl Monitor {
    /// Takes the next samples of every channel, in the order of the channels. An empty chunk is no error.
    ///
    /// # Errors
    /// [`Error::LengthMismatch`] for a wrong number of chunks or chunks of different lengths; [`Error::NonFinite`] naming
    /// the channel and the index in its chunk; [`Error::OutOfRange`] for a value beyond 1e9;
    /// [`Error::InvalidCombination`] for samples of another form than the channel's. Then nothing has changed.
    pub fn push(&mut self, chunks: &[Chunk<'_>]) -> Result<Pushed> {
        let samples = self.check(chunks)?;
        Ok(self.take(chunks, samples))
    }

    /// As [`Monitor::push`], with the time of the first sample in seconds, on any clock that does not run backwards.
    ///
    /// The time is compared with the end of the chunk before: later by more than the tolerance is a gap of as many
    /// samples as fit in between. Small differences do not add up: each time stamp is the base of the next comparison.
    ///
    /// # Errors
    /// As [`Monitor::push`]; [`Error::OutOfRange`] for a time that is not finite, or before the end of the chunk before
    /// by more than the tolerance.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked against the range of u64")]
    pub fn push_at(&mut self, chunks: &[Chunk<'_>], start_s: f64) -> Result<Pushed> {
        let samples = self.check(chunks)?;
        if !start_s.is_finite() {
            return Err(Error::out_of_range("start_s", "a finite number of seconds", start_s));
        }
        if let Some(expected_s) = self.expected_s {
            let late_s = start_s - expected_s;
            if late_s < -self.settings.tolerance_s() {
                return Err(Error::out_of_range("start_s", "a time not before the end of the last chunk", start_s));
            }
            let lost = (late_s * self.settings.sample_rate_hz).round();
            if late_s > self.settings.tolerance_s() && lost >= 1.0 {
                if lost >= 1e18 {
                    return Err(Error::out_of_range("start_s", "a gap of less than 1e18 samples", start_s));
                }
                self.gap(lost as u64)?;
            }
        }
        self.expected_s = Some(start_s);
        Ok(self.take(chunks, samples))
    }

    /// Tells the monitor that samples are missing: the window begins anew behind them. 0 changes nothing.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] where positions would no longer fit 64 bits.
    pub fn gap(&mut self, lost_samples: u64) -> Result<()> {
        if lost_samples == 0 {
            return Ok(());
        }
        let Some(position) = self.reading.position.checked_add(lost_samples) else {
            return Err(Error::out_of_range("lost_samples", "positions below 2^64", lost_samples as f64));
        };
        let at_sample = self.reading.position;
        self.reading.position = position;
        self.reading.gap_count += 1;
        self.reading.lost_samples += lost_samples;
        if let Some(expected_s) = &mut self.expected_s {
            *expected_s += lost_samples as f64 / self.settings.sample_rate_hz;
        }
        self.restart();
        self.record(MonitorEvent { lost_samples: Some(lost_samples), ..event(EventKind::Gap, at_sample) });
        self.update_ages();
        Ok(())
    }

    /// Refuses chunks that cannot be taken; returns their common length.
    fn check(&self, chunks: &[Chunk<'_>]) -> Result<usize> {
        let mismatch = |parameter: String, expected, actual| Err(Error::LengthMismatch { parameter, expected, actual });
        if chunks.len() != self.inputs.len() {
            return mismatch("chunks".into(), self.inputs.len(), chunks.len());
        }
        let samples = chunks.first().map_or(0, Chunk::len);
        for (chunk, input) in chunks.iter().zip(&self.inputs) {
            if chunk.len() != samples {
                return mismatch(format!("chunks[\"{}\"]", input.channel.name()), samples, chunk.len());
            }
            chunk.check(&input.channel)?;
        }
        match self.reading.position.checked_add(samples as u64) {
            Some(_) => Ok(samples),
            None => Err(Error::out_of_range("chunks", "positions below 2^64", samples as f64)),
        }
    }

    fn take(&mut self, chunks: &[Chunk<'_>], samples: usize) -> Pushed {
        let (mut from, mut updates) = (0, 0);
        while from < samples {
            let n = (samples - from).min(self.grid.block - self.fill);
            let at = self.ring_block * self.grid.block + self.fill;
            for (input, chunk) in self.inputs.iter_mut().zip(chunks) {
                input.ring.write(at, chunk, from, n);
            }
            self.fill += n;
            from += n;
            self.reading.position += n as u64;
            if self.fill == self.grid.block {
                updates += u64::from(self.end_block());
            }
        }
        if let Some(expected_s) = &mut self.expected_s {
            *expected_s += samples as f64 / self.settings.sample_rate_hz;
        }
        self.update_ages();
        Pushed { position: self.reading.position, updates, judgement_due: self.due }
    }

    /// Computes the block that is complete; true where it completes a hop.
    fn end_block(&mut self) -> bool {
        let at = self.ring_block * self.grid.block;
        for (input, (_, channel)) in self.inputs.iter_mut().zip(&mut self.reading.channels) {
            input.ring.read(at, &mut self.scratch);
            let block = Block::of(&self.scratch, input.rails);
            channel.clipped_samples_total += block.clipped() as u64;
            input.blocks.add(block);
            if let Some(lane) = input.lane {
                self.tracker.block_mut(lane).copy_from_slice(&self.scratch);
            }
        }
        if self.tracker.process() == Followed::Lost {
            self.record(event(EventKind::CycleLost, self.reading.position));
            self.reading.cycle.clear(NoCycle::Lost);
            self.lost = true;
        }
        self.fill = 0;
        self.ring_block = (self.ring_block + 1) % self.grid.ring_blocks();
        self.blocks_in_hop += 1;
        let whole = self.blocks_in_hop == self.grid.blocks_per_hop;
        if whole {
            self.blocks_in_hop = 0;
            self.end_hop();
        }
        whole
    }

    fn end_hop(&mut self) {
        self.hops = (self.hops + 1).min(HOPS);
        self.update_due();
        self.update_reading();
        if let Some(found) = self.found.take() {
            let near = self.tracker.hz().is_some_and(|hz| (found.hz / hz - 1.0).abs() < super::SAME_CYCLE);
            if !near && (found.certain || self.tracker.hz().is_none()) {
                self.follow(Some(found.hz));
            }
        }
    }

    fn update_due(&mut self) {
        self.hops_to_judge = self.hops_to_judge.saturating_sub(1);
        if std::mem::take(&mut self.lost) {
            self.due = Some(JudgementDue::CycleLost);
        }
        if self.hops < HOPS {
            return;
        }
        if !self.judged_since_restart {
            self.due = self.due.or(Some(JudgementDue::FirstWindow));
        } else if self.hops_to_judge == 0 {
            self.due = self.due.or(Some(JudgementDue::Interval));
        }
    }

    fn update_reading(&mut self) {
        for (input, (_, channel)) in self.inputs.iter_mut().zip(&mut self.reading.channels) {
            input.figures = input.blocks.figures();
            channel.fill(input.figures, input.channel.coupling == crate::Coupling::Dc);
        }
        let following = self.tracker.hz().is_some();
        let window = self.tracker.end_hop();
        let corner_hz = self.inputs[self.supply].channel.coupling_corner_hz;
        match &window {
            Some(w) => self.reading.cycle.fill(w, |hz| passed(corner_hz, hz)),
            None if following => self.reading.cycle.clear(NoCycle::FewCycles),
            None => {}
        }
        let circuits = self.inputs.iter().filter_map(|i| i.lane).filter(|lane| *lane > 0);
        for ((_, circuit), lane) in self.reading.contamination.iter_mut().zip(circuits) {
            circuit.follow(window.as_ref(), lane);
        }
        self.reading.level.fill(self.level.and_then(|i| Some(self.inputs[i].figures?.mean)));
        let supply = &self.inputs[self.supply];
        let level = supply.figures.filter(|_| supply.channel.coupling == crate::Coupling::Dc).map(|f| f.mean);
        self.reading.ripple = supply.figures.map(|f| MonitorRipple::new(f, level, &self.reading.cycle));
        self.reading.end_sample = self.reading.position;
        self.reading.covered_s = self.hops as f64 * self.reading.update_interval_s;
    }

    /// Time of a sample since the last change of rate, seconds from the first sample ever pushed.
    pub(super) fn time_s(&self, sample: u64) -> f64 {
        let (samples, seconds) = self.before;
        seconds + (sample - samples) as f64 / self.settings.sample_rate_hz
    }

    /// Ages and times against the newest sample.
    pub(super) fn update_ages(&mut self) {
        let time_s = self.time_s(self.reading.position);
        let reading = &mut self.reading;
        reading.time_s = time_s;
        reading.age_s = (reading.position - reading.end_sample) as f64 / self.settings.sample_rate_hz;
        reading.rectifier.age_s = self.judged_at_s.map(|judged_s| reading.time_s - judged_s);
    }

    /// Empties the window; the cycle is taken up again at the frequency it had.
    fn restart(&mut self) {
        (self.ring_block, self.fill, self.hops, self.blocks_in_hop) = (0, 0, 0, 0);
        self.judged_since_restart = false;
        self.found = None;
        self.lost = false;
        self.due = None;
        self.tracker.follow(self.tracker.hz());
        for (input, (_, channel)) in self.inputs.iter_mut().zip(&mut self.reading.channels) {
            input.blocks.restart();
            input.figures = None;
            channel.fill(None, false);
        }
        for (_, circuit) in &mut self.reading.contamination {
            circuit.follow(None, 0);
        }
        self.reading.level.fill(None);
        self.reading.ripple = None;
        let why = if self.tracker.hz().is_some() { NoCycle::FewCycles } else { NoCycle::NotFound };
        self.reading.cycle.clear(why);
        self.reading.covered_s = 0.0;
    }

    /// Follows a cycle of that frequency from the next block on.
    pub(super) fn follow(&mut self, hz: Option<f64>) {
        self.tracker.follow(hz);
        if let Some(hz) = self.tracker.hz() {
            let found = event(EventKind::CycleFound, self.reading.position);
            self.record(MonitorEvent { frequency_hz: Some(hz), ..found });
            self.reading.cycle.clear(NoCycle::FewCycles);
        }
    }

    /// Keeps an event; the oldest one gives way.
    pub(super) fn record(&mut self, event: MonitorEvent) {
        if self.events.len() == EVENTS_KEPT {
            self.events.pop_front();
        }
        self.events.push_back(MonitorEvent { sequence: self.reading.event_count, ..event });
        self.reading.event_count += 1;
    }
}

pub(super) fn event(kind: EventKind, at_sample: u64) -> MonitorEvent {
    MonitorEvent { sequence: 0, at_sample, kind, lost_samples: None, pattern: None, frequency_hz: None }
}
