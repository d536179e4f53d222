//! RIFF/WAVE recordings.

use crate::error::{Error, Reason, Result};
use crate::recording::{Column, Rate, Recording, Scaling};
use hound::{SampleFormat, WavReader, WavSpec};
use sixpulse::RawSamples;
use std::io::BufReader;
use std::path::Path;

type Reader = WavReader<BufReader<std::fs::File>>;

/// Reads a WAV file: PCM of 8 to 32 bits, or 32-bit float; one column a channel, named `channel_0`, `channel_1` ...
///
/// A WAV file knows no volts. The numbers are fractions of full scale (-1 to 1), so a request must give
/// `scale` = volts at full scale. PCM of up to 16 bits stays in counts.
///
/// # Errors
/// `damaged_file`, `unsupported_format`, `empty_file`, and what opening a file can meet.
///
/// ```
/// # let path = std::env::temp_dir().join(format!("sixpulse-doc-{}.wav", std::process::id()));
/// # let spec = hound::WavSpec { channels: 1, sample_rate: 48_000, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
/// # let mut writer = hound::WavWriter::create(&path, spec)?;
/// # for x in [0_i16, 16_384, -16_384] { writer.write_sample(x)?; }
/// # writer.finalize()?;
/// use sixpulse::{Coupling, Role};
/// use sixpulse_io::{Channel, Request, wav};
/// let mut request = Request::new(vec![Channel::new("channel_0", Role::ChargingPost)]);
/// request.coupling = Some(Coupling::Ac);
/// request.scale = Some(2.0); // volts at full scale
/// let capture = wav::read(&path)?.into_capture(&request)?;
/// assert_eq!(capture.traces()[0].1.to_f64(), [0.0, 1.0, -1.0]);
/// # std::fs::remove_file(&path)?;
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn read(path: impl AsRef<Path>) -> Result<Recording> {
    let path = path.as_ref();
    let file = std::fs::File::open(path).map_err(|e| Error::io(path, "opening", &e))?;
    let mut reader = WavReader::new(BufReader::new(file)).map_err(|e| wav_error(path, e))?;
    let spec = reader.spec();
    let channels = usize::from(spec.channels);
    if reader.duration() == 0 {
        return Err(Error::new(path, Reason::EmptyFile));
    }
    let samples = match (spec.sample_format, spec.bits_per_sample) {
        (SampleFormat::Float, 32) => {
            split::<f32>(path, &mut reader, channels)?.into_iter().map(RawSamples::F32).collect()
        }
        (SampleFormat::Int, 1..=16) => counts(path, &mut reader, spec)?,
        (SampleFormat::Int, 17..=32) => fractions(path, &mut reader, spec)?,
        (_, bits) => {
            let detail = format!("{bits}-bit samples of this kind; PCM of 8 to 32 bits or 32-bit float are read");
            return Err(Error::new(path, Reason::UnsupportedFormat { detail }));
        }
    };
    let columns = samples.into_iter().enumerate();
    let columns = columns.map(|(i, s)| Column::new(i, &format!("channel_{i}"), s, Scaling::FullScale));
    let rate = Rate { hz: f64::from(spec.sample_rate), source: "WAV header".into(), uncertainty_hz: 0.0 };
    Ok(Recording {
        path: path.to_owned(),
        columns: columns.collect(),
        rates: vec![rate],
        engine_rpm: None,
        battery_temperature_c: None,
    })
}

fn counts(path: &Path, reader: &mut Reader, spec: WavSpec) -> Result<Vec<RawSamples>> {
    let scale = full_scale_fraction(spec.bits_per_sample);
    let split = split::<i16>(path, reader, usize::from(spec.channels))?;
    Ok(split.into_iter().map(|counts| RawSamples::I16 { counts, scale, offset: 0.0 }).collect())
}

fn fractions(path: &Path, reader: &mut Reader, spec: WavSpec) -> Result<Vec<RawSamples>> {
    let scale = full_scale_fraction(spec.bits_per_sample);
    let split = split::<i32>(path, reader, usize::from(spec.channels))?;
    Ok(split.into_iter().map(|v| RawSamples::F64(v.into_iter().map(|x| f64::from(x) * scale).collect())).collect())
}

/// One count as a fraction of full scale.
fn full_scale_fraction(bits: u16) -> f64 {
    0.5_f64.powi(i32::from(bits) - 1)
}

/// Samples by channel; a file that ends too early, or within a frame, is damaged.
fn split<S: hound::Sample>(path: &Path, reader: &mut Reader, channels: usize) -> Result<Vec<Vec<S>>> {
    let mut split: Vec<Vec<S>> = (0..channels).map(|_| Vec::new()).collect();
    let (expected, mut read) = (reader.duration() as usize * channels, 0);
    for sample in reader.samples::<S>() {
        let sample = sample.map_err(|e| wav_error(path, e))?;
        if let Some(column) = split.get_mut(read % channels.max(1)) {
            column.push(sample);
        }
        read += 1;
    }
    if read != expected {
        return Err(damaged(path, format!("{read} samples, the header promises {expected}")));
    }
    Ok(split)
}

fn damaged(path: &Path, detail: String) -> Error {
    Error::new(path, Reason::Damaged { format: "WAV".into(), detail })
}

fn wav_error(path: &Path, error: hound::Error) -> Error {
    match error {
        hound::Error::IoError(e) if e.kind() != std::io::ErrorKind::UnexpectedEof && e.raw_os_error().is_some() => {
            Error::io(path, "reading", &e)
        }
        hound::Error::Unsupported => {
            Error::new(path, Reason::UnsupportedFormat { detail: "a WAV encoding other than PCM or float".into() })
        }
        other => damaged(path, other.to_string()),
    }
}
