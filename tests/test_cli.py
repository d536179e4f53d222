"""The command line: what it prints and writes, its exit status, one line on bad input, nothing by halves."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

import sixpulse
from sixpulse import cli, demo, errors
from sixpulse.results import Examination

COMMAND = [sys.executable, "-m", "sixpulse"]
ROLES = [word for column, role in demo.ROLES.items() for word in ("--role", f"{column}={role}")]


def parked(*more: str) -> list[str]:
    return ["examine", str(demo.path("parked")), *ROLES, *more]


def test_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(parked()) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for heading in ("What the capture shows", "What it does not show", "Test next", "Do not replace yet", "Ripple"):
        assert heading in out
    assert "\x1b" not in out
    assert "load dump" in out, "the cautions are part of the text"


@pytest.mark.parametrize("columns", [40, 60, 100])
def test_text_keeps_to_the_terminal(columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: Any) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    assert cli.main(parked()) == 0
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= columns


def test_json_to_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(parked("--json", "-")) == 0
    made = Examination.from_json(capsys.readouterr().out)
    read = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
    assert made == sixpulse.examine(read)


def test_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target, page = tmp_path / "parked.json", tmp_path / "parked.html"
    target.write_text("old", encoding="utf-8")
    assert cli.main(parked("--json", str(target), "--report", str(page))) == 0
    Examination.from_json(target.read_text(encoding="utf-8"))
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["parked.html", "parked.json"]
    assert "What the capture shows" in capsys.readouterr().out


def test_what_is_known_reaches_the_analysis(capsys: pytest.CaptureFixture[str]) -> None:
    known = ("--engine-rpm", "1000", "--pole-pairs", "6", "--pulley-ratio", "2.5", "--battery-temperature-c", "35")
    assert cli.main(parked(*known, "--json", "-")) == 0
    made = json.loads(capsys.readouterr().out)
    assert made["level"]["temperature_c"] == 35.0
    capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES, engine_rpm=1000.0, battery_temperature_c=35.0)
    direct = sixpulse.examine(capture, machine=sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5))
    assert made == direct.to_dict()
    assert made["parameters"] != sixpulse.examine(capture).to_dict()["parameters"]


def test_scale_for_one_column_and_for_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(parked("--scale", "post=2", "--json", "-")) == 0
    doubled = json.loads(capsys.readouterr().out)
    assert cli.main(parked("--json", "-")) == 0
    plain = json.loads(capsys.readouterr().out)
    assert doubled["level"]["mean_v"] == pytest.approx(2.0 * plain["level"]["mean_v"], rel=1e-12)


def write(path: Path, text: str | bytes) -> str:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return str(path)


BAD_INPUT = {
    "no such file": lambda folder: ["examine", str(folder / "absent.csv"), *ROLES],
    "a folder": lambda folder: ["examine", str(folder), *ROLES],
    "an empty file": lambda folder: ["examine", write(folder / "in.csv", b""), *ROLES],
    "no numbers": lambda folder: ["examine", write(folder / "in.csv", "to be\nor not\nto be\n"), *ROLES],
    "no coupling": lambda folder: [
        "examine",
        write(folder / "in.csv", "time (s),post (V)\n" + "".join(f"{i / 1e4},14.{i % 10}\n" for i in range(50))),
        "--role",
        "post=charging_post",
    ],
    "unknown role": lambda _: ["examine", str(demo.path("parked")), "--role", "post=gearbox"],
    "unknown column": lambda _: ["examine", str(demo.path("parked")), "--role", "oil=other"],
    "no role word": lambda _: ["examine", str(demo.path("parked")), "--role", "post"],
    "a column twice": lambda _: [*parked(), "--role", "post=other"],
    "two couplings for all": lambda _: parked("--coupling", "dc", "--coupling", "ac"),
    "unknown coupling": lambda _: parked("--coupling", "gnd"),
    "rate not a number": lambda _: parked("--sample-rate-hz", "fast"),
    "rate zero": lambda _: parked("--sample-rate-hz", "0"),
    "frequency above Nyquist": lambda _: parked("--electrical-hz", "1e9"),
    "pole pairs": lambda _: parked("--pole-pairs", "99"),
    "ratio": lambda _: parked("--pulley-ratio", "-1"),
    "pulse number": lambda _: parked("--pulse-number", "7"),
    "temperature": lambda _: parked("--battery-temperature-c", "900"),
    "scale zero": lambda _: parked("--scale", "0"),
    "scale not a number": lambda _: parked("--scale", "post=ten"),
    "no file": lambda _: ["examine"],
    "no command": lambda _: [],
    "unknown command": lambda _: ["divine"],
    "unknown option": lambda _: parked("--shape", "round"),
    "output folder missing": lambda folder: parked("--json", str(folder / "absent" / "out.json")),
    "output is a folder": lambda folder: parked("--report", str(folder)),
    "same output twice": lambda folder: parked("--json", str(folder / "x"), "--report", str(folder / "x")),
    "second output impossible": lambda folder: parked(
        "--json", str(folder / "out.json"), "--report", str(folder / "absent" / "out.html")
    ),
}


@pytest.mark.parametrize("case", BAD_INPUT)
def test_bad_input(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = BAD_INPUT[case](tmp_path)
    before = sorted(tmp_path.iterdir())
    try:
        status = cli.main(arguments)
    except SystemExit as stop:  # argparse leaves this way
        status = int(stop.code or 0)
    out, err = capsys.readouterr()
    assert status == 2
    assert out == ""
    assert err.startswith("sixpulse")
    assert err.count("\n") == 1, err
    assert "Traceback" not in err
    by_the_parser = err.startswith("sixpulse examine: ") or case in {"no command", "unknown command", "unknown option"}
    assert by_the_parser or re.search(r" \[(\w+)\]\n$", err)[1] in errors.all_codes(), err  # type: ignore[index]
    assert sorted(tmp_path.iterdir()) == before, "nothing may be written"


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1", "utf-8"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_a_terminal_that_lacks_characters_gets_all_the_others(encoding: str, language: str) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    run = subprocess.run([*COMMAND, *parked("--language", language)], env=environment, capture_output=True, check=True)
    assert run.stderr == b""
    assert ("\\u" in run.stdout.decode(encoding)) == (encoding != "utf-8")


def test_json_holds_every_character_on_any_terminal(tmp_path: Path) -> None:
    lines = [f"{i / 1e4:.4f},{14 + i % 7 / 10:.1f}" for i in range(3_000)]
    path = write(tmp_path / "in.csv", "\n".join(["time (s),Ω 𝄞 (V)", *lines]))
    command = [*COMMAND, "meter", path, "--role", "1=charging_post", "--coupling", "dc", "--json", "-"]
    run = subprocess.run(command, env={**os.environ, "PYTHONIOENCODING": "ascii"}, capture_output=True, check=True)
    assert list(json.loads(run.stdout.decode("ascii"))) == ["Ω 𝄞"]


def test_what_a_file_is_called_does_not_steer_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["examine", str(tmp_path / "\x1b[31mred\x07.csv"), *ROLES]) == 2
    assert r"\x1b[31mred\x07.csv: no such file [file_not_found]" in capsys.readouterr().err


def test_an_existing_output_survives_a_failure(tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    target.write_text("precious", encoding="utf-8")
    assert cli.main(["examine", str(tmp_path / "absent.csv"), *ROLES, "--json", str(target)]) == 2
    assert target.read_text(encoding="utf-8") == "precious"


def test_installed_command_and_version() -> None:
    script = Path(sys.executable).with_name("sixpulse")
    command = [str(script)] if script.exists() else COMMAND
    run = subprocess.run([*command, "--version"], capture_output=True, text=True, check=True)
    assert run.stdout == f"sixpulse {sixpulse.__version__}\n"


def test_help_names_every_role(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        cli.main(["examine", "--help"])
    assert stop.value.code == 0
    out = capsys.readouterr().out
    for role in ("charging_post", "battery_post", "speed_sensor", "edge_sensor", "charging_current", "other"):
        assert role in out


@pytest.mark.skipif(os.name != "posix", reason="signals and pipes of POSIX")
def test_a_reader_that_goes_away() -> None:
    with subprocess.Popen([*COMMAND, *parked()], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        assert run.stdout is not None and run.stderr is not None
        run.stdout.close()
        err = run.stderr.read()
        assert run.wait(120) == cli.EXIT_BROKEN_PIPE
    assert err == b""


@pytest.mark.skipif(os.name != "posix", reason="signals and pipes of POSIX")
def test_ctrl_c(tmp_path: Path) -> None:
    """Interrupted at work: no traceback, no output."""
    target = tmp_path / "out.json"
    code = (
        "import signal, sys, time\n"
        "from sixpulse import cli\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a background shell ignores it for its children
        "def wait(options):\n"
        "    print('waiting', flush=True)\n"
        "    time.sleep(60)\n"
        "cli._examine = wait\n"
        "sys.exit(cli.main(sys.argv[1:]))\n"
    )
    command = [sys.executable, "-c", code, "examine", "in.csv", "--json", str(target)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        assert run.stdout is not None and run.stderr is not None
        assert run.stdout.readline() == b"waiting\n"
        time.sleep(0.1)
        run.send_signal(signal.SIGINT)
        err = run.stderr.read()
        assert run.wait(60) == cli.EXIT_INTERRUPTED
    assert err == b""
    assert not target.exists()
