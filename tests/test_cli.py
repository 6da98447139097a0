"""The command as a person or a build calls it: exit status, files written, what is printed where."""

from __future__ import annotations

import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from bench.cli import main

ROOT = Path(__file__).parents[1]
DIBBLER = ROOT / "scenarios" / "dibbler"
ONE_TRAY = str(DIBBLER / "one_tray.scenario.yaml")
STATION = str(DIBBLER / "station.yaml")
WRONG = "scenario: Wrong\nstation: STATION\nlimits_ms: 1\nsteps:\n  - pres: start_button\n  - expect: Trey\n"


@pytest.fixture
def failing(tmp_path: Path) -> str:
    path = tmp_path / "failing.scenario.yaml"
    steps = "steps:\n  - {expect: DibbleDown, within_ms: 20}\n"
    path.write_text(f"scenario: Fails\nstation: {STATION}\nlogic: {DIBBLER / 'dibbler.st'}\n{steps}")
    return str(path)


def bench(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "bench", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_passed_is_0(capsys: pytest.CaptureFixture[str]) -> None:
    assert (main(["run", ONE_TRAY, "--brief"]), capsys.readouterr().out[:6]) == (0, "PASSED")


def test_failed_is_1(failing: str, capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["run", ONE_TRAY, failing, "--brief"])
    out = capsys.readouterr().out
    assert (status, "DibbleDown did not come true within 20.000 ms" in out, "1 passed, 1 failed" in out) == (
        1,
        True,
        True,
    )


def test_wrong_files_are_2_and_nothing_runs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "wrong.scenario.yaml"
    path.write_text(WRONG.replace("STATION", STATION))
    status = main(["run", ONE_TRAY, str(path)])
    captured = capsys.readouterr()
    places = [f"wrong.scenario.yaml:{line}:" in captured.err.replace("\n", "") for line in (3, 5, 6)]
    assert (status, captured.out, places) == (2, "", [True, True, True])


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["run", "nowhere"], "no such file or folder"),
        (["run", str(ROOT / "bench" / "net")], "no file below this folder ends in .scenario.yaml"),
        (["check", "nowhere.yaml"], "No such file or directory"),
        (["run", ONE_TRAY, "--real-time", "--listen", "192.0.2.1"], "no such address here"),
        (["run", ONE_TRAY, "--real-time", "--listen", "localhost"], "localhost"),
        (["serve", STATION, "--listen", "192.0.2.1", "--seconds", "1"], "no such address here"),
        (["run", ONE_TRAY, "--brief", "--trace", "/nowhere/trace"], "writing /nowhere/trace"),
    ],
)
def test_wrong_call_is_2_with_a_sentence(
    arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status = main(arguments)
    assert (status, sentence in capsys.readouterr().err.replace("\n", " ")) == (2, True)


@pytest.mark.parametrize("arguments", [[], ["nothing"], ["run"], ["serve", STATION, "--seconds", "-1"]])
def test_misused_command_is_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert (ended.value.code, "usage: bench" in capsys.readouterr().err) == (2, True)


def test_trace_is_json_lines(tmp_path: Path) -> None:
    main(["run", ONE_TRAY, "--brief", "--trace", str(tmp_path / "trace")])
    lines = [json.loads(line) for line in (tmp_path / "trace").read_text().splitlines()]
    times = [line["t_ns"] for line in lines[1:]]
    assert (lines[0]["format"], times == sorted(times), len(times) > 100) == ("drycycle-trace", True, True)


def test_junit_holds_every_scenario(failing: str, tmp_path: Path) -> None:
    main(["run", ONE_TRAY, failing, "--brief", "--junit", str(tmp_path / "junit.xml")])
    root = ET.parse(tmp_path / "junit.xml").getroot()
    assert (len(list(root.iter("testcase"))), len(list(root.iter("failure")))) == (2, 1)


def test_check_prints_the_point_table(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["check", STATION])
    out = capsys.readouterr().out
    assert (status, "TrayClamped" in out, "input image 2 bytes, output image 2 bytes" in out) == (
        0,
        True,
        True,
    )


def test_schema_is_json(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["schema"])
    assert (status, json.loads(capsys.readouterr().out)["title"]) == (0, "Station file")


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom bench.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'rich', 'pydantic', 'pycomm3', 'ruamel'} & sys.modules.keys()\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stderr, "usage: bench" in ran.stdout) == (0, "", True)


def test_serve_without_a_terminal_says_what_it_exposes_and_how_it_went() -> None:
    ran = bench("serve", STATION, "--listen", "127.0.9.41", "--seconds", "0.3")
    words = (
        "Serving EtherNet/IP on 127.0.9.41",
        "no access control",
        "A simulation",
        "Served 0.3 s at 127.0.9.41",
    )
    assert (ran.returncode, ran.stderr, [word in ran.stdout for word in words]) == (0, "", [True] * 4)


def test_serve_with_logic_connects_its_own_controller() -> None:
    ran = bench(
        *("serve", STATION, "--listen", "127.0.9.42", "--seconds", "0.5"),
        "--logic",
        str(DIBBLER / "dibbler.st"),
    )
    assert (ran.returncode, "1 connection(s)" in ran.stdout) == (0, True)


def test_reader_that_has_seen_enough_is_no_crash() -> None:
    command = f"{sys.executable} -m bench schema | head -c 1"
    ran = subprocess.run(command, shell=True, cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.stderr == ""


@pytest.mark.parametrize("call", [("serve", STATION), ("run", "--real-time", ONE_TRAY)], ids=["serve", "run"])
def test_every_address_at_once_is_no_address(
    call: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    status = main([*call, "--listen", "0.0.0.0"])
    assert (status, "name one address" in capsys.readouterr().err) == (2, True)
