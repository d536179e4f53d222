//! One part of a circuit's record, its own signal or its ripple, as it is kept for the passes over it.
//!
//! In single precision both parts of a record take as much memory as the traces of it do. A long record's are therefore
//! kept in 16 bits a sample within what the samples of a short stretch span: a value is off by at most a part in 131,070 of
//! that span. A converter of 12 bits that the part fills is off by 16 times as much even where every stretch spans all of
//! it, and 32 samples of a signal that is sampled well span a fraction.

use crate::pooled::Pooled;
use crate::trace::BLOCK;
use crate::vectors::{self, LANES, Work};
use std::ops::Range;

/// Samples in a stretch.
pub(super) const STRETCH: usize = 32;
/// Longest record that is kept as it is.
const LONGEST_PLAIN: usize = 1 << 20;
/// Highest code.
const HIGHEST: f32 = 65_535.0;

/// What the codes of a stretch stand for: `low + code * step`.
#[derive(Debug, Clone, Copy, Default)]
struct Span {
    low: f32,
    step: f32,
}

/// A part of a record: plain samples, or codes with the spans of their stretches.
#[derive(Debug, Clone, Default)]
pub(super) struct Part {
    plain: Pooled<f32>,
    codes: Vec<u16>,
    spans: Vec<Span>,
    coded: bool,
}

/// Some successive samples of a part, from the beginning of a stretch on.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct View<'a> {
    plain: &'a [f32],
    codes: &'a [u16],
    spans: &'a [Span],
}

impl Part {
    /// For so many samples, none of which is there yet.
    pub(super) fn for_samples(samples: usize) -> Self {
        Self::kept(samples, samples > LONGEST_PLAIN)
    }

    fn kept(samples: usize, coded: bool) -> Self {
        let (plain, codes) = if coded { (0, samples) } else { (samples, 0) };
        Self {
            plain: Pooled::with_capacity(plain),
            codes: Vec::with_capacity(codes),
            spans: Vec::with_capacity(codes.div_ceil(STRETCH)),
            coded,
        }
    }

    pub(super) fn len(&self) -> usize {
        self.view().len()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.len() == 0
    }

    pub(super) fn view(&self) -> View<'_> {
        View { plain: &self.plain, codes: &self.codes, spans: &self.spans }
    }

    /// Adds samples: whole stretches, but for the last ones.
    pub(super) fn push(&mut self, values: &[f32]) {
        if !self.coded {
            self.plain.extend_from_slice(values);
            return;
        }
        let (from, first) = (self.codes.len(), self.spans.len());
        self.codes.resize(from + values.len(), 0);
        self.spans.resize(first + values.len().div_ceil(STRETCH), Span::default());
        vectors::widest(Coding { values, codes: &mut self.codes[from..], spans: &mut self.spans[first..] });
    }

    /// Takes a level off all samples.
    pub(super) fn lower(&mut self, by: f32) {
        vectors::widest(Lowered { plain: &mut self.plain, spans: &mut self.spans, by });
    }

    /// Lets `change` work on samples; of these the first `count` are kept as it leaves them. `buffer` is where those that
    /// are coded lie meanwhile.
    pub(super) fn edit<O>(
        &mut self,
        samples: Range<usize>,
        count: usize,
        buffer: &mut Vec<f32>,
        change: impl FnOnce(&mut [f32]) -> O,
    ) -> O {
        if !self.coded {
            return change(self.plain.get_mut(samples).unwrap_or_default());
        }
        let from = samples.start.min(self.len());
        buffer.resize(samples.end.min(self.len()) - from, 0.0);
        self.view().read(from, buffer);
        let out = change(buffer);
        let count = count.min(buffer.len());
        self.put(from, &buffer[..count]);
        out
    }

    /// Lets `change` work on all samples, a block at a time.
    pub(super) fn edit_blocks(&mut self, mut change: impl FnMut(usize, &mut [f32])) {
        let mut buffer = Vec::new();
        for start in (0..self.len()).step_by(BLOCK) {
            let end = (start + BLOCK).min(self.len());
            self.edit(start..end, BLOCK, &mut buffer, |block| change(start, block));
        }
    }

    /// Puts values in the place of coded ones; a stretch of which they are a part is coded anew.
    fn put(&mut self, from: usize, values: &[f32]) {
        let mut stretch = [0.0; STRETCH];
        let (mut at, mut values) = (from, values);
        while !values.is_empty() {
            let (number, inside) = (at / STRETCH, at % STRETCH);
            let end = self.codes.len().min((number + 1) * STRETCH);
            // Whole stretches are coded together.
            let count = if inside == 0 && values.len() >= STRETCH {
                values.len() / STRETCH * STRETCH
            } else {
                values.len().min(end - at)
            };
            let (here, rest) = values.split_at(count);
            let first = number * STRETCH;
            if inside == 0 && count >= STRETCH {
                let codes = &mut self.codes[first..first + count];
                vectors::widest(Coding { values: here, codes, spans: &mut self.spans[number..] });
            } else {
                let stretch = &mut stretch[..end - first];
                self.view().read(first, stretch);
                stretch[inside..inside + count].copy_from_slice(here);
                let codes = &mut self.codes[first..end];
                vectors::widest(Coding { values: stretch, codes, spans: &mut self.spans[number..] });
            }
            (at, values) = (at + count, rest);
        }
    }
}

impl<'a> View<'a> {
    pub(super) fn len(&self) -> usize {
        self.plain.len().max(self.codes.len())
    }

    pub(super) fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Some of its stretches.
    pub(super) fn stretches(self, stretches: Range<usize>) -> Self {
        let samples = stretches.start * STRETCH..stretches.end * STRETCH;
        Self {
            plain: self.plain.get(samples.clone()).unwrap_or_default(),
            codes: self.codes.get(samples).unwrap_or_default(),
            spans: self.spans.get(stretches).unwrap_or_default(),
        }
    }

    /// A sample; `None` beyond the end.
    #[inline(always)]
    pub(super) fn at(&self, i: usize) -> Option<f32> {
        let coded = || Some(self.spans.get(i / STRETCH)?.value(*self.codes.get(i)?));
        self.plain.get(i).copied().or_else(coded)
    }

    /// A whole stretch, written to `buffer` where it is coded. A part of a [`Work`].
    #[inline(always)]
    pub(super) fn stretch<'b>(&self, number: usize, buffer: &'b mut [f32; STRETCH]) -> Option<&'b [f32; STRETCH]>
    where
        'a: 'b,
    {
        if let Some(stretch) = self.plain.as_chunks::<STRETCH>().0.get(number) {
            return Some(stretch);
        }
        let codes = self.codes.as_chunks::<STRETCH>().0.get(number)?;
        let span = *self.spans.get(number)?;
        for i in 0..STRETCH {
            buffer[i] = span.value(codes[i]);
        }
        Some(buffer)
    }

    /// Writes the samples from `from` on to `out`, as many as there are.
    pub(super) fn read(&self, from: usize, out: &mut [f32]) {
        if let Some(plain) = self.plain.get(from..) {
            let count = plain.len().min(out.len());
            out[..count].copy_from_slice(&plain[..count]);
        }
        vectors::widest(Decoding { view: self, from, out });
    }

    /// Some samples: where they lie, or in `buffer` where they are coded.
    pub(super) fn slice<'b>(&self, samples: Range<usize>, buffer: &'b mut Vec<f32>) -> &'b [f32]
    where
        'a: 'b,
    {
        if self.codes.is_empty() {
            return self.plain.get(samples).unwrap_or_default();
        }
        buffer.resize(samples.end.min(self.len()).saturating_sub(samples.start), 0.0);
        self.read(samples.start, buffer);
        buffer
    }
}

impl Span {
    #[inline(always)]
    fn value(self, code: u16) -> f32 {
        self.low + f32::from(code) * self.step
    }
}

/// See [`Part::lower`].
struct Lowered<'a> {
    plain: &'a mut [f32],
    spans: &'a mut [Span],
    by: f32,
}

impl Work for Lowered<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        self.plain.iter_mut().for_each(|v| *v -= self.by);
        self.spans.iter_mut().for_each(|span| span.low -= self.by);
    }
}

/// Codes stretch by stretch.
struct Coding<'a> {
    values: &'a [f32],
    codes: &'a mut [u16],
    spans: &'a mut [Span],
}

impl Work for Coding<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        /// Added to a number below 2^22, it leaves the nearest whole number in the last bits.
        const WHOLE: f32 = (1_u32 << 23) as f32;
        let stretches = self.values.chunks(STRETCH).zip(self.codes.chunks_mut(STRETCH)).zip(self.spans);
        for ((values, codes), span) in stretches {
            let (low, high) = vectors::extremes(values);
            let step = (high - low) / HIGHEST;
            // Of a span so narrow that its parts vanish all is its lowest value.
            let per_v = if step > 0.0 { (1.0 / step).min(f32::MAX) } else { 0.0 };
            *span = Span { low, step };
            for (code, v) in codes.iter_mut().zip(values) {
                let place = vectors::lower((v - low) * per_v, HIGHEST);
                *code = (place + WHOLE).to_bits() as u16;
            }
        }
    }
}

/// The values of codes.
struct Decoding<'a, 'b> {
    view: &'a View<'b>,
    from: usize,
    out: &'a mut [f32],
}

impl Work for Decoding<'_, '_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { view, mut from, mut out } = self;
        while let Some(span) = view.spans.get(from / STRETCH) {
            let Some(codes) = view.codes.get(from..).filter(|codes| !codes.is_empty() && !out.is_empty()) else {
                return;
            };
            let count = (STRETCH - from % STRETCH).min(codes.len()).min(out.len());
            let (here, rest) = out.split_at_mut(count);
            for (v, code) in here.iter_mut().zip(codes) {
                *v = span.value(*code);
            }
            (from, out) = (from + count, rest);
        }
    }
}

/// Lowest and highest value of a stretch of each of two parts; the second may be empty, and is 0 then.
pub(super) type Bounds = [[f32; 2]; 2];

/// The bounds of two parts, stretch by stretch.
pub(super) fn bounds(own: View<'_>, ripple: View<'_>) -> Vec<Bounds> {
    vectors::widest(Bounding { own, ripple })
}

/// Lowest and highest value of a stretch; 0 where there is none. (A closure would not be widened for certain.)
#[inline(always)]
fn bound(stretch: Option<&[f32; STRETCH]>) -> [f32; 2] {
    match stretch {
        Some(values) => vectors::extremes(values).into(),
        None => [0.0; 2],
    }
}

struct Bounding<'a> {
    own: View<'a>,
    ripple: View<'a>,
}

impl Work for Bounding<'_> {
    type Output = Vec<Bounds>;
    #[inline(always)]
    fn call(self) -> Vec<Bounds> {
        let Self { own, ripple } = self;
        let mut out = Vec::with_capacity(own.len().div_ceil(STRETCH));
        if !own.spans.is_empty() {
            // The lowest and the highest code occur in every stretch.
            let of = |span: &Span| [span.low, span.value(u16::MAX)];
            let of_ripple = ripple.spans.iter().map(of).chain(std::iter::repeat([0.0; 2]));
            out.extend(own.spans.iter().map(of).zip(of_ripple).map(|(own, ripple)| [own, ripple]));
            return out;
        }
        let (mut a, mut b) = ([0.0; STRETCH], [0.0; STRETCH]);
        for number in 0..own.len() / STRETCH {
            out.push([bound(own.stretch(number, &mut a)), bound(ripple.stretch(number, &mut b))]);
        }
        let last = own.len() % STRETCH;
        if last > 0 {
            let mut of = |view: View<'_>| {
                let (values, empty) = (&mut a[..last], view.is_empty());
                view.read(own.len() - last, values);
                if empty { [0.0; 2] } else { vectors::extremes(values).into() }
            };
            out.push([of(own), of(ripple)]);
        }
        out
    }
}

/// The highest sum of two parts; nothing need be in the second.
pub(super) fn highest(own: View<'_>, ripple: View<'_>) -> f64 {
    let (mut most, mut buffers) = (f32::NEG_INFINITY, (Vec::new(), Vec::new()));
    for start in (0..own.len()).step_by(BLOCK) {
        let samples = start..(start + BLOCK).min(own.len());
        let own = own.slice(samples.clone(), &mut buffers.0);
        let ripple = if ripple.is_empty() { &[][..] } else { ripple.slice(samples, &mut buffers.1) };
        most = vectors::higher(vectors::widest(Highest { own, ripple }), most);
    }
    f64::from(most)
}

struct Highest<'a> {
    own: &'a [f32],
    ripple: &'a [f32],
}

impl Work for Highest<'_> {
    type Output = f32;
    #[inline(always)]
    fn call(self) -> f32 {
        let mut high = [f32::NEG_INFINITY; LANES];
        let silent = [0.0; LANES];
        let (sets, rest) = self.own.as_chunks::<LANES>();
        let ripple = self.ripple.as_chunks::<LANES>().0;
        for (i, set) in sets.iter().enumerate() {
            let ripple = ripple.get(i).unwrap_or(&silent);
            for lane in 0..LANES {
                high[lane] = vectors::higher(set[lane] + ripple[lane], high[lane]);
            }
        }
        let last = self.ripple.get(self.own.len() - rest.len()..).unwrap_or_default();
        let last = rest.iter().zip(last.iter().chain(std::iter::repeat(&0.0))).map(|(own, ripple)| own + ripple);
        last.chain(high).fold(f32::NEG_INFINITY, |most, v| vectors::higher(v, most))
    }
}

#[cfg(test)]
impl From<Vec<f32>> for Part {
    fn from(plain: Vec<f32>) -> Self {
        Self { plain: plain.into(), ..Self::default() }
    }
}

#[cfg(test)]
impl Part {
    /// Coded however few there are.
    pub(super) fn coded(values: &[f32]) -> Self {
        let mut part = Self::kept(values.len(), true);
        values.chunks(BLOCK).for_each(|block| part.push(block));
        part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(samples: usize) -> Vec<f32> {
        let mut noise = crate::contamination::tests::noise(11);
        (0..samples).map(|i| (2.0 * (0.01 * i as f64).sin() + 0.03 * noise()) as f32).collect()
    }

    /// Half a part in 65 535 of what each stretch spans, and the rounding of single precision in `low + code * step`.
    fn within(values: &[f32], found: &[f32], times: f32) {
        for (values, found) in values.chunks(STRETCH).zip(found.chunks(STRETCH)) {
            let (low, high) = vectors::extremes(values);
            let most = times * (0.5 * (high - low) / HIGHEST + 2.0 * f32::EPSILON * low.abs().max(high.abs()));
            assert!(values.iter().zip(found).all(|(a, b)| (a - b).abs() <= most), "{values:?} {found:?}");
        }
    }

    #[test]
    fn what_is_coded_comes_back_within_half_a_step_of_its_stretch() {
        for samples in [1, 31, 32, 33, 2048, 5000] {
            let values = wave(samples);
            let part = Part::coded(&values);
            assert_eq!((part.len(), part.plain.len()), (samples, 0));
            let mut found = vec![0.0; samples];
            part.view().read(0, &mut found);
            within(&values, &found, 1.0);
            for from in [0, 5, 32, 100].into_iter().filter(|from| *from < samples) {
                let mut some = vec![0.0; samples - from];
                part.view().read(from, &mut some);
                assert_eq!(some, found[from..]);
                assert_eq!(part.view().at(from), Some(found[from]));
            }
            assert_eq!(part.view().at(samples), None);
        }
        // A level, huge values.
        for values in [[0.3; 40], [1e9; 40]] {
            let mut found = [0.0; 40];
            Part::coded(&values).view().read(0, &mut found);
            assert_eq!(values, found);
        }
        // A span of which single precision has no 65 535th part is not told from its lowest value.
        let values: [f32; 40] = std::array::from_fn(|i| if i % 2 == 0 { 1e-42 } else { 0.0 });
        let mut found = [1.0; 40];
        Part::coded(&values).view().read(0, &mut found);
        assert!(values.iter().zip(&found).all(|(a, b)| (a - b).abs() < 2e-42));
    }

    #[test]
    fn an_edit_changes_what_it_is_told_to() {
        let values = wave(3000);
        for part in [Part::from(values.clone()), Part::coded(&values)] {
            for (samples, count) in [(0..3000, 3000), (37..200, 90), (64..128, 64), (2990..3000, 10), (70..75, 3)] {
                let (mut part, mut expected) = (part.clone(), values.clone());
                let mut buffer = Vec::new();
                part.edit(samples.clone(), count, &mut buffer, |some| some[..count].iter_mut().for_each(|v| *v += 1.0));
                expected[samples.start..samples.start + count].iter_mut().for_each(|v| *v += 1.0);
                let mut found = vec![0.0; 3000];
                part.view().read(0, &mut found);
                // Coded twice.
                within(&expected, &found, 2.0);
            }
        }
    }

    #[test]
    fn bounds_and_the_highest_sum_are_those_of_the_samples() {
        let (own, ripple) = (wave(3001), wave(3001).into_iter().rev().collect::<Vec<f32>>());
        for (own, ripple) in [(own.clone().into(), ripple.clone().into()), (Part::coded(&own), Part::coded(&ripple))] {
            let [mut a, mut b] = [vec![0.0; 3001], vec![0.0; 3001]];
            own.view().read(0, &mut a);
            ripple.view().read(0, &mut b);
            let bounds = bounds(own.view(), ripple.view());
            assert_eq!(bounds.len(), 94);
            for ((bounds, a), b) in bounds.iter().zip(a.chunks(STRETCH)).zip(b.chunks(STRETCH)) {
                assert_eq!(*bounds, [<[f32; 2]>::from(vectors::extremes(a)), vectors::extremes(b).into()]);
            }
            let most = a.iter().zip(&b).map(|(a, b)| a + b).fold(f32::NEG_INFINITY, f32::max);
            assert_eq!(highest(own.view(), ripple.view()).to_bits(), f64::from(most).to_bits());
        }
        assert_eq!(highest(Part::from(vec![1.0, 3.0, 2.0]).view(), View::default()).to_bits(), 3.0f64.to_bits());
    }
}
