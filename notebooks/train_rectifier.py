# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
# ---

# %% [markdown]
# # Training the rectifier model
#
# The model scores every (frequency hypothesis, pattern) pair of a capture, and the two readings "no ripple" and "not a
# rectifier's ripple"; one soft-max over all scores gives the probabilities. It is fitted on simulated captures only
# (`crates/sixpulse-sim`, example `rectifier_figures`) and on synthetic signals that are no rectifier's
# (example `rectifier_strangers`). This script is not run in CI: the captures take tens of minutes. It writes
# `crates/sixpulse/src/rectifier/coefficients.rs` and `training_record.json` beside it (`coefficients_12.rs` for
# machines with twelve pulses).
#
# ```
# cargo run --release -p sixpulse-sim --example rectifier_figures -- 7 0 12000 6 > figures.csv
# cargo run --release -p sixpulse-sim --example rectifier_strangers -- 3 1500 6 > strangers.csv
# python notebooks/train_rectifier.py figures.csv strangers.csv --out crates/sixpulse/src/rectifier/coefficients.rs
# ```

# %%
from __future__ import annotations

import argparse
import csv
import hashlib
import json
import pathlib
from dataclasses import dataclass

import jax
import jax.numpy as jnp
import numpy as np
import optax

PATTERNS = ["healthy", "open_diode", "shorted_diode", "open_phase", "two_open_diodes", "imbalance"]
OTHERS = ["not_charging", "undetermined"]
ALL = PATTERNS + OTHERS
HARD = ["open_diode", "shorted_diode", "open_phase", "two_open_diodes"]
#: A hypothesis is the true one when its frequency is this close.
SAME_HZ = 0.01
MOST_HYPOTHESES = 16
HIDDEN = (64, 32)
HIDDEN_RECORD = (16,)
SEED = 20_261


@dataclass
class Captures:
    """Figures and truth of many captures, padded to the same number of hypotheses."""

    names: list[str]
    record_names: list[str]
    pairs: np.ndarray  # capture x hypothesis x figure
    present: np.ndarray  # capture x hypothesis
    hz: np.ndarray  # capture x hypothesis
    record: np.ndarray  # capture x figure
    pattern: np.ndarray  # index into ALL
    true_hz: np.ndarray
    sub_six: np.ndarray
    facts: list[dict[str, str]]


def load(*paths: str) -> Captures:
    """Reads what `rectifier_figures` and `rectifier_strangers` wrote."""
    names: list[str] = []
    record_names: list[str] = []
    rows: list[tuple[dict[str, str], list[float], list[list[float]]]] = []
    for path in paths:
        with open(path, newline="") as file:
            for line in csv.reader(file):
                if line[0] == "names":
                    names = line[1:]
                elif line[0] == "record_names":
                    record_names = line[1:]
                elif line[0] == "record":
                    keys = [
                        "member",
                        "pattern",
                        "sub_kind",
                        "hz",
                        "role",
                        "bits",
                        "rate",
                        "coupling",
                        "steps",
                        "sub_six",
                    ]
                    facts = dict(zip(keys, line[1:11], strict=True))
                    rows.append((facts, [float(v) for v in line[11:]], []))
                elif line[0] == "hypothesis":
                    rows[-1][2].append([float(v) for v in line[1:]])
    count, width = len(rows), len(names)
    pairs = np.zeros((count, MOST_HYPOTHESES, width))
    present = np.zeros((count, MOST_HYPOTHESES), bool)
    hz = np.ones((count, MOST_HYPOTHESES))
    for i, (_, _, hypotheses) in enumerate(rows):
        for j, values in enumerate(hypotheses[:MOST_HYPOTHESES]):
            hz[i, j], pairs[i, j], present[i, j] = values[0], values[1:], True
    return Captures(
        names=names,
        record_names=record_names,
        pairs=pairs,
        present=present,
        hz=hz,
        record=np.array([r[1] for r in rows]),
        pattern=np.array([ALL.index(r[0]["pattern"]) for r in rows]),
        true_hz=np.array([float(r[0]["hz"]) for r in rows]),
        sub_six=np.array([float(r[0]["sub_six"]) for r in rows]),
        facts=[r[0] for r in rows],
    )


def select(captures: Captures, index: np.ndarray) -> Captures:
    """Some of the captures."""
    return Captures(
        captures.names,
        captures.record_names,
        captures.pairs[index],
        captures.present[index],
        captures.hz[index],
        captures.record[index],
        captures.pattern[index],
        captures.true_hz[index],
        captures.sub_six[index],
        [captures.facts[i] for i in index],
    )


def targets(captures: Captures) -> np.ndarray:
    """Index of the true score: hypothesis * 6 + pattern, or 6 * MOST_HYPOTHESES + (0 not charging, 1 undetermined).

    A capture whose true cycle is among no hypothesis is, truthfully, undetermined.
    """
    off = np.where(captures.present, np.abs(captures.hz / captures.true_hz[:, None] - 1.0), np.inf)
    nearest = np.argmin(off, axis=1)
    found = off[np.arange(len(off)), nearest] < SAME_HZ
    on_cycle = captures.pattern < len(PATTERNS)
    other = len(PATTERNS) * MOST_HYPOTHESES + np.where(captures.pattern == ALL.index("not_charging"), 0, 1)
    return np.where(on_cycle & found, nearest * len(PATTERNS) + captures.pattern, other)


# %% [markdown]
# ## The network
#
# Two small networks with tanh layers: one is applied to every hypothesis, the other to the record as a whole.


# %%
def initial(key: jax.Array, sizes: list[int]) -> list[tuple[jax.Array, jax.Array]]:
    """Layers of normal weights scaled by fan-in."""
    layers = []
    for a, b in zip(sizes[:-1], sizes[1:], strict=True):
        key, sub = jax.random.split(key)
        layers.append((jax.random.normal(sub, (a, b)) / np.sqrt(a), jnp.zeros(b)))
    return layers


def run(layers: list[tuple[jax.Array, jax.Array]], x: jax.Array) -> jax.Array:
    """The network's output."""
    for w, b in layers[:-1]:
        x = jnp.tanh(x @ w + b)
    w, b = layers[-1]
    return x @ w + b


def scores(parameters: dict, pairs: jax.Array, present: jax.Array, record: jax.Array) -> jax.Array:
    """All scores of each capture, absent hypotheses at minus infinity."""
    on_cycle = run(parameters["pair"], pairs)
    on_cycle = jnp.where(present[:, :, None], on_cycle, -1e9).reshape(pairs.shape[0], -1)
    return jnp.concatenate([on_cycle, run(parameters["record"], record)], axis=1)


def loss(parameters: dict, batch: tuple[jax.Array, ...], decay: float, smooth: float) -> jax.Array:
    pairs, present, record, target, weight = batch
    log_p = jax.nn.log_softmax(scores(parameters, pairs, present, record))
    nll = -jnp.take_along_axis(log_p, target[:, None], axis=1)[:, 0]
    size = sum(jnp.sum(w * w) for w, _ in parameters["pair"] + parameters["record"])
    return jnp.sum(weight * nll) / jnp.sum(weight) + decay * size


# %%
@dataclass
class Scaling:
    mean: np.ndarray
    scale: np.ndarray

    @classmethod
    def of(cls, values: np.ndarray) -> Scaling:
        scale = values.std(axis=0)
        return cls(values.mean(axis=0), np.where(scale > 1e-9, scale, 1.0))

    def __call__(self, values: np.ndarray) -> np.ndarray:
        return np.clip((values - self.mean) / self.scale, -6.0, 6.0)


def fit(
    data: Captures, held: Captures, *, epochs: int, decay: float, seed: int, noise: float
) -> tuple[dict, Scaling, Scaling]:
    """Adam with cosine decay; keeps the parameters that do best on the held captures."""
    pair_scale = Scaling.of(data.pairs[data.present])
    record_scale = Scaling.of(data.record)
    key = jax.random.PRNGKey(seed)
    a, b = jax.random.split(key)
    parameters = {
        "pair": initial(a, [data.pairs.shape[2], *HIDDEN, len(PATTERNS)]),
        "record": initial(b, [data.record.shape[1], *HIDDEN_RECORD, len(OTHERS)]),
    }
    arrays = arrays_of(data, pair_scale, record_scale)
    held_arrays = arrays_of(held, pair_scale, record_scale)
    size = 256
    steps = epochs * (len(data.pattern) // size)
    optimiser = optax.adam(optax.cosine_decay_schedule(4e-3, steps))
    state = optimiser.init(parameters)

    @jax.jit
    def step(parameters: dict, state: optax.OptState, batch: tuple[jax.Array, ...], key: jax.Array):
        pairs = batch[0] + noise * jax.random.normal(key, batch[0].shape)
        gradient = jax.grad(loss)(parameters, (pairs, *batch[1:]), decay, 0.0)
        updates, state = optimiser.update(gradient, state)
        return optax.apply_updates(parameters, updates), state

    evaluate = jax.jit(lambda p: loss(p, held_arrays, 0.0, 0.0))
    rng = np.random.default_rng(seed)
    best = (np.inf, parameters)
    for epoch in range(epochs):
        order = rng.permutation(len(data.pattern))
        for k in range(0, len(order) - size + 1, size):
            key, sub = jax.random.split(key)
            index = order[k : k + size]
            parameters, state = step(parameters, state, tuple(x[index] for x in arrays), sub)
        value = float(evaluate(parameters))
        if value < best[0]:
            best = (value, parameters)
        if epoch % 10 == 9:
            print(f"epoch {epoch + 1}: held-out loss {value:.4f}", flush=True)
    return best[1], pair_scale, record_scale


def arrays_of(data: Captures, pair_scale: Scaling, record_scale: Scaling) -> tuple[jax.Array, ...]:
    return (
        jnp.asarray(pair_scale(data.pairs)),
        jnp.asarray(data.present),
        jnp.asarray(record_scale(data.record)),
        jnp.asarray(targets(data)),
        jnp.asarray(weights(data)),
    )


def weights(data: Captures) -> np.ndarray:
    """Strangers are drawn far more often than anyone captures them: each counts for less."""
    weight = np.ones(len(data.pattern))
    weight[data.pattern == ALL.index("undetermined")] = 0.4
    return weight


# %% [markdown]
# ## Judging: probabilities by pattern, with and without the frequency


# %%
def expectation(data: Captures, relative_std: float = 0.03, wrong: float = 0.01) -> np.ndarray:
    """The log-weight that a given frequency adds to each hypothesis (as `classify::expect_frequency`)."""
    off = np.log(data.hz / data.true_hz[:, None]) / relative_std
    return np.log(wrong + (1.0 - wrong) * np.exp(-0.5 * off * off))


def probabilities(all_scores: np.ndarray, extra: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Probability of each pattern of ALL, and the hypothesis chosen."""
    cells = len(PATTERNS) * MOST_HYPOTHESES
    s = all_scores.copy()
    if extra is not None:
        s[:, :cells] += np.repeat(extra, len(PATTERNS), axis=1)
    s -= s.max(axis=1, keepdims=True)
    p = np.exp(s)
    p /= p.sum(axis=1, keepdims=True)
    on_cycle = p[:, :cells].reshape(len(p), MOST_HYPOTHESES, len(PATTERNS))
    by_pattern = np.concatenate([on_cycle.sum(axis=1), p[:, cells:]], axis=1)
    best = np.minimum(by_pattern.argmax(axis=1), len(PATTERNS) - 1)
    chosen = on_cycle[np.arange(len(p)), :, best].argmax(axis=1)
    return by_pattern, chosen


def calibration_error(p: np.ndarray, truth: np.ndarray, bins: int = 15) -> float:
    """Expected calibration error of the named pattern's probability."""
    top = p.max(axis=1)
    right = p.argmax(axis=1) == truth
    edges = np.minimum((top * bins).astype(int), bins - 1)
    return float(
        sum(abs(top[edges == b].mean() - right[edges == b].mean()) * (edges == b).mean() for b in np.unique(edges))
    )


def report(data: Captures, all_scores: np.ndarray, *, given: bool) -> dict[str, float]:
    """Figures of merit on captures the model was not fitted on."""
    p, chosen = probabilities(all_scores, expectation(data) if given else None)
    named = np.where(p.max(axis=1) >= 0.5, p.argmax(axis=1), ALL.index("undetermined"))
    truth = data.pattern
    hard = [ALL.index(h) for h in HARD]
    is_hard, is_healthy = np.isin(truth, hard), truth == 0
    charging = truth < len(PATTERNS)
    off = np.abs(data.hz[np.arange(len(chosen)), chosen] / data.true_hz - 1.0)
    soft = truth == ALL.index("imbalance")
    return {
        "captures": len(truth),
        "hard_found": float(np.isin(named[is_hard], hard).mean()),
        "false_alarm": float(np.isin(named[is_healthy], hard).mean()),
        "right_name": float((named == truth)[charging].mean()),
        "right_name_hard": float((named == truth)[is_hard].mean()),
        "right_name_healthy": float((named == truth)[is_healthy].mean()),
        "right_name_imbalance": float((named == truth)[soft].mean()),
        "soft_above_half_called_healthy": float((named == 0)[soft & (data.sub_six > 0.5)].mean()),
        "soft_called_hard": float(np.isin(named[soft], hard).mean()),
        "undetermined": float((named == ALL.index("undetermined"))[charging].mean()),
        "hz_within_0.2_percent": float((off < 0.002)[charging].mean()),
        "strangers_undetermined": float(
            (named == ALL.index("undetermined"))[truth == ALL.index("undetermined")].mean()
        ),
        "not_charging_right": float((named == truth)[truth == ALL.index("not_charging")].mean()),
        "expected_calibration_error": calibration_error(p, truth),
        "brier": float(((p - np.eye(len(ALL))[truth]) ** 2).sum(axis=1).mean()),
    }


# %% [markdown]
# ## Writing the coefficients


# %%
def rust_list(values: np.ndarray) -> str:
    """The figures of a slice, eight on a line."""
    flat = [f"{v:.6e}" for v in np.asarray(values, dtype=np.float64).ravel()]
    return "&[\n        " + ",\n        ".join(", ".join(flat[i : i + 8]) for i in range(0, len(flat), 8)) + ",\n    ]"


def flat_weights(model: list[tuple[dict, Scaling, Scaling]], name: str) -> np.ndarray:
    """Member by member, layer by layer: weights, then biases."""
    return np.concatenate(
        [np.concatenate([np.asarray(w).ravel(), np.asarray(b)]) for m, _, _ in model for w, b in m[name]]
    )


def healthy_figures(data: Captures) -> np.ndarray:
    """Median figures of the true cycle of healthy captures."""
    target = targets(data)
    found = (data.pattern == 0) & (target < len(PATTERNS) * MOST_HYPOTHESES)
    return np.median(data.pairs[found, target[found] // len(PATTERNS)], axis=0)


def write(path: pathlib.Path, model: list[tuple[dict, Scaling, Scaling]], data: Captures, record: dict) -> None:
    """Writes the coefficients as Rust and, beside them, the training record."""
    _, pair_scale, record_scale = model[0]
    fields = {
        "version": f'"{record["model_version"]}"',
        "temperature": f"{record['temperature']:.6e}",
        "members": str(len(model)),
        "pair_widths": f"&{[len(data.names), *HIDDEN, len(PATTERNS)]}",
        "record_widths": f"&{[len(data.record_names), *HIDDEN_RECORD, len(OTHERS)]}",
        "pair_mean": rust_list(pair_scale.mean),
        "pair_scale": rust_list(pair_scale.scale),
        "record_mean": rust_list(record_scale.mean),
        "record_scale": rust_list(record_scale.scale),
        "healthy": rust_list(healthy_figures(data)),
        "pair_weights": rust_list(flat_weights(model, "pair")),
        "record_weights": rust_list(flat_weights(model, "record")),
    }
    body = "".join(f"    {name}: {value},\n" for name, value in fields.items())
    path.write_text(
        "//! Coefficients of the rectifier model, written by `notebooks/train_rectifier.py`; not edited by hand.\n"
        "#![cfg_attr(rustfmt, rustfmt::skip)]\n"
        '#![allow(clippy::unreadable_literal, reason = "written by a program")]\n\n'
        "use super::model::Model;\n\n"
        "pub(super) static MODEL: Model = Model {\n" + body + "};\n"
    )
    name = path.stem.replace("coefficients", "training_record")
    path.with_name(f"{name}.json").write_text(json.dumps(record, indent=1) + "\n")


def split(data: Captures, share: float) -> tuple[Captures, Captures]:
    """Deterministic split by position."""
    rng = np.random.default_rng(SEED)
    order = rng.permutation(len(data.pattern))
    cut = int(share * len(order))
    return select(data, np.sort(order[cut:])), select(data, np.sort(order[:cut]))


def temperature_of(all_scores: np.ndarray, target: np.ndarray, weight: np.ndarray) -> float:
    """The temperature with the least negative log-likelihood on held captures."""
    grid = np.linspace(0.5, 2.5, 81)

    def nll(t: float) -> float:
        s = all_scores / t
        s = s - s.max(axis=1, keepdims=True)
        loss = np.log(np.exp(s).sum(axis=1)) - s[np.arange(len(s)), target]
        return float(np.sum(weight * loss) / np.sum(weight))

    return float(grid[np.argmin([nll(t) for t in grid])])


def mean_scores(model: list[tuple[dict, Scaling, Scaling]], data: Captures) -> np.ndarray:
    """Ensemble mean of the scores."""
    total = 0.0
    for parameters, pair_scale, record_scale in model:
        arrays = arrays_of(data, pair_scale, record_scale)
        total = total + np.asarray(scores(parameters, *arrays[:3]), dtype=np.float64)
    return total / len(model)


# %%
def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("figures", nargs="+")
    parser.add_argument("--out", type=pathlib.Path)
    parser.add_argument("--epochs", type=int, default=80)
    parser.add_argument("--members", type=int, default=2)
    parser.add_argument("--decay", type=float, default=2e-5)
    parser.add_argument("--noise", type=float, default=0.05)
    arguments = parser.parse_args()
    data = load(*arguments.figures)
    rest, test = split(data, 0.2)
    train, held = split(rest, 0.15)
    print(f"{len(train.pattern)} to fit, {len(held.pattern)} to stop and calibrate, {len(test.pattern)} to test")
    model = [
        fit(train, held, epochs=arguments.epochs, decay=arguments.decay, seed=SEED + k, noise=arguments.noise)
        for k in range(arguments.members)
    ]
    temperature = temperature_of(mean_scores(model, held), targets(held), weights(held))
    test_scores = mean_scores(model, test) / temperature
    result = {kind: report(test, test_scores, given=kind == "given") for kind in ("given", "not_given")}
    print(json.dumps(result, indent=1), f"temperature {temperature:.3f}")
    if arguments.out:
        digest = hashlib.sha256()
        for path in arguments.figures:
            digest.update(pathlib.Path(path).read_bytes())
        coefficients = hashlib.sha256(
            np.concatenate([np.asarray(w).ravel() for m, _, _ in model for w, _ in m["pair"]]).tobytes()
        )
        record = {
            "model_version": f"fitted-{coefficients.hexdigest()[:8]}",
            "library_version": library_version(),
            "captures": {"fit": len(train.pattern), "held": len(held.pattern), "test": len(test.pattern)},
            "figures_sha256": digest.hexdigest(),
            "figures": data.names,
            "record_figures": data.record_names,
            "seed": SEED,
            "temperature": temperature,
            "test": result,
        }
        write(arguments.out, model, data, record)


def library_version() -> str:
    """The workspace's version."""
    text = (pathlib.Path(__file__).resolve().parent.parent / "Cargo.toml").read_text()
    return text.split('version = "', 1)[1].split('"', 1)[0]


if __name__ == "__main__":
    main()
