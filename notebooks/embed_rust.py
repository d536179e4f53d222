# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # The crate in a program of one's own
#
# A tool maker's instrument delivers counts; the program around it is Rust. This notebook writes a small cargo project
# that depends on the crate by its path, builds it, feeds it the bundled capture as raw counts on standard input, as a
# driver would deliver them, and compares what it prints with what the Python package says. It needs cargo and the
# source tree; without one of them it stops with the reason.

# %%
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np

import sixpulse
from sixpulse import demo

TREE = Path(sixpulse.__file__).resolve().parents[2]
CARGO = shutil.which("cargo")
missing = "cargo" if CARGO is None else None if (TREE / "crates" / "sixpulse").is_dir() else "the source tree"
print(f"not run: {missing} is missing" if missing else "cargo and the source tree are here")

# %% [markdown]
# ## The manifest
#
# The core has no default features: it comes alone, without serde. The lock file is that of the source tree, so that the
# dependencies are the tested ones; with the profile of the tree as well, what the tree has built of them is used again.
# The core itself is built anew, for it is another one without serde: here quickly rather than well.

# %%
project = Path("rate_controller")
(project / "src").mkdir(parents=True, exist_ok=True)
(project / "Cargo.toml").write_text(f"""
[package]
name = "rate_controller"
version = "0.1.0"
edition = "2024"

[dependencies]
sixpulse = {{ path = "{(TREE / "crates" / "sixpulse").as_posix()}" }}

[profile.dev]
opt-level = 1
debug = "line-tables-only"
lto = "off"

[profile.dev.package."*"]
debug = false

[profile.dev.package.sixpulse]
opt-level = 0

[workspace]
""")
if not missing:
    shutil.copy(TREE / "Cargo.lock", project)

# %% [markdown]
# ## The program
#
# Counts of two channels, interleaved, little-endian, come in on standard input. `Trace::from_counts` keeps them as they
# are and validates once; everything after it cannot meet a bad sample. `examine` answers with plain structs. The same
# samples then pass through a `Monitor` in chunks, as they would all day long: pushing allocates nothing, and it says
# when a judgement is due.

# %%
MAIN = r"""
use std::io::Read;

use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings};
use sixpulse::{Capture, Coupling, ExamineOptions, Role, Trace, examine};

struct Instrument {
    sample_rate_hz: f64,
    post: (f64, f64),
    speed: (f64, f64),
}

fn capture(bytes: &[u8], from: &Instrument) -> sixpulse::Result<Capture> {
    let counts: Vec<i16> = bytes.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
    let channel = |first: usize| counts.iter().skip(first).step_by(2).copied().collect::<Vec<i16>>();
    let trace = |first, (scale, offset), role| {
        Trace::from_counts(channel(first), scale, offset, from.sample_rate_hz, Coupling::Dc, role)
    };
    Capture::new(vec![
        ("post".into(), trace(0, from.post, Role::ChargingPost)?),
        ("speed".into(), trace(1, from.speed, Role::SpeedSensor)?),
    ])
}

fn stream(capture: &Capture) -> sixpulse::Result<()> {
    let channels = capture.traces().iter().map(|(n, t)| Channel::new(n, t.role(), t.coupling())).collect();
    let mut monitor = Monitor::new(channels, MonitorSettings::new(capture.sample_rate_hz(), 0.1))?;
    let samples: Vec<Vec<f64>> = capture.traces().iter().map(|(_, t)| t.to_f64()).collect();
    for start in (0..samples[0].len()).step_by(500) {
        let end = (start + 500).min(samples[0].len());
        let chunks: Vec<Chunk> = samples.iter().map(|s| Chunk::F64(&s[start..end])).collect();
        if let Some(why) = monitor.push(&chunks)?.judgement_due {
            let pattern = monitor.judge()?.rectifier.pattern;
            println!("monitor at {:.3} s: judged ({why}): {pattern}", monitor.reading().time_s);
        }
    }
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let given: Vec<f64> = std::env::args().skip(1).map(|a| a.parse()).collect::<Result<_, _>>()?;
    let [sample_rate_hz, post_scale, post_offset, speed_scale, speed_offset] = given[..] else {
        return Err("expected: rate, scale and offset of the post, scale and offset of the sensor".into());
    };
    let from = Instrument { sample_rate_hz, post: (post_scale, post_offset), speed: (speed_scale, speed_offset) };
    let mut bytes = Vec::new();
    std::io::stdin().read_to_end(&mut bytes)?;

    let capture = match capture(&bytes, &from) {
        Ok(capture) => capture,
        Err(error) => {
            println!("refused: {} ({}): {error}", error.code(), error.parameter());
            return Ok(());
        }
    };
    let found = examine(&capture, &ExamineOptions::default())?;
    println!("pattern {}", found.rectifier.pattern);
    if let Some(hz) = found.cycle.electrical_hz {
        println!("electrical_hz {hz:.9}");
    }
    for (name, circuit) in &found.contamination {
        println!("{name} {} {:.9}", circuit.verdict, circuit.gain_v_per_v.unwrap_or_default());
    }
    for finding in &found.findings {
        println!("- {}", finding.statement);
    }
    stream(&capture)?;
    Ok(())
}
"""
_ = (project / "src" / "main.rs").write_text(MAIN)

# %% [markdown]
# ## Build
#
# Without optimisation, as above, the core takes seconds for what it does in milliseconds with it: an instrument's
# program is built with `--release`.

# %%
with np.load(demo.counts_path("parked")) as stored:
    counts = np.column_stack([stored["post"], stored["speed"]]).astype("<i2")
    figures = [stored[name] for name in ("sample_rate_hz", "post_scale", "post_offset", "speed_scale", "speed_offset")]
    arguments = [repr(float(figure)) for figure in figures]


def program(*arguments, samples):
    settings = {**os.environ, "CARGO_TARGET_DIR": str(TREE / "target"), "CARGO_TERM_COLOR": "never"}
    run = [CARGO, "run", "--quiet", "--manifest-path", str(project / "Cargo.toml"), "--", *arguments]
    done = subprocess.run(run, input=samples, capture_output=True, env=settings, check=False)
    if done.returncode != 0:
        raise RuntimeError(done.stderr.decode())
    return done.stdout.decode()


# %% [markdown]
# ## Run

# %%
said = "" if missing else program(*arguments, samples=counts.tobytes())
print(said)

# %% [markdown]
# The same figures as in Python: it is the same code. Another level of optimisation may round a sum the other way, so
# they are held to eight digits.

# %%
if not missing:
    found = sixpulse.examine(sixpulse.read(demo.counts_path("parked"), roles=demo.ROLES))
    carried = found.contamination["speed"]
    lines = [line.split() for line in said.splitlines() if line]
    assert ["pattern", found.rectifier.pattern] in lines
    printed_hz = next(float(line[1]) for line in lines if line[0] == "electrical_hz")
    verdict, printed_gain = next((line[1], float(line[2])) for line in lines if line[0] == "speed")
    assert verdict == carried.verdict
    assert np.isclose(printed_hz, found.cycle.electrical_hz, rtol=1e-8, atol=0.0)
    assert np.isclose(printed_gain, carried.gain_v_per_v, rtol=1e-8, atol=0.0)
    assert any(line[0] == "monitor" and line[-1] == "open_diode" for line in lines)

# %% [markdown]
# ## What comes back when the input is wrong
#
# An error is a value with a stable code and the name of the parameter. Nothing panics, nothing is assumed.

# %%
if not missing:
    refused = program("0", *arguments[1:], samples=counts.tobytes())
    print(refused)
    assert refused.startswith("refused: ")
    print(program(*arguments, samples=b""))
