"""From paths to results: finding, reading, and all mistakes of all files at once."""

from __future__ import annotations

import asyncio
import dataclasses
from pathlib import Path

import pytest

from bench.errors import MachineError, WrongFiles
from bench.report.result import Verdict
from bench.suite import (
    SIZE_LIMIT,
    Prepared,
    find_scenarios,
    own_address,
    prepare,
    prepare_all,
    read_text,
    run_one,
    run_suite,
)

DIBBLER = Path(__file__).parents[1] / "scenarios" / "dibbler"


@pytest.fixture(scope="module")
def flow_switch() -> Prepared:
    return prepare(DIBBLER / "flow_switch_setting.scenario.yaml")


def test_folders_are_searched_and_each_file_is_found_once() -> None:
    one = str(DIBBLER / "one_tray.scenario.yaml")
    found = find_scenarios([one, str(DIBBLER), one])
    assert (found[0].name, len(found)) == (
        "one_tray.scenario.yaml",
        len(set(DIBBLER.glob("*.scenario.yaml"))),
    )


def test_every_wrong_path_is_reported(tmp_path: Path) -> None:
    with pytest.raises(WrongFiles) as wrong:
        find_scenarios([str(tmp_path), "nowhere", str(DIBBLER)])
    assert [mistake.sentence for mistake in wrong.value.mistakes] == [
        "no file below this folder ends in .scenario.yaml",
        "no such file or folder",
    ]


@pytest.mark.parametrize(
    ("content", "sentence"), [(b"\xff\xfe", "not UTF-8 text"), (b"x" * (SIZE_LIMIT + 1), "larger than")]
)
def test_unreadable_text_is_refused(tmp_path: Path, content: bytes, sentence: str) -> None:
    (tmp_path / "x").write_bytes(content)
    with pytest.raises(WrongFiles, match=sentence):
        read_text(tmp_path / "x")


def test_byte_order_mark_is_no_text(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"\xef\xbb\xbfstation: A")
    assert read_text(tmp_path / "x") == "station: A"


def test_mistakes_of_all_files_come_together(tmp_path: Path) -> None:
    (tmp_path / "broken.yaml").write_text("station: 5\n")
    for name in ("a", "b"):
        (tmp_path / name).write_text("scenario: A\nstation: broken.yaml\nsteps: []\n")
    (tmp_path / "c").write_text("[]")
    with pytest.raises(WrongFiles) as wrong:
        prepare_all([tmp_path / name for name in "abc"])
    files = [Path(mistake.file).name for mistake in wrong.value.mistakes]
    assert (set(files), len(set(wrong.value.mistakes))) == ({"broken.yaml", "c"}, len(files))


def test_scenario_runs_as_often_as_wanted(flow_switch: Prepared) -> None:
    assert run_one(flow_switch).digest == run_one(flow_switch).digest


def test_suite_tells_how_far_it_is(flow_switch: Prepared) -> None:
    done: list[int] = []
    suite = run_suite([flow_switch] * 3, run_one, done.append)
    assert (done, suite.exit_status) == ([1, 2, 3], 0)


@pytest.fixture
def short() -> Prepared:
    """The first steps of one tray: half a second."""
    whole = prepare(DIBBLER / "one_tray.scenario.yaml")
    return dataclasses.replace(
        whole, scenario=dataclasses.replace(whole.scenario, steps=whole.scenario.steps[:4])
    )


def test_real_time_comes_to_the_same_end(short: Prepared) -> None:
    result = run_one(short, real_time=True, listen="127.0.9.31")
    assert (result.verdict, result.mode, (result.lateness_ns or 0) > 0) == (Verdict.PASSED, "real time", True)


def test_real_time_needs_a_free_port(short: Prepared) -> None:
    async def both() -> None:
        server = await asyncio.start_server(lambda reader, writer: None, "127.0.9.32", 44818)
        async with server:
            await asyncio.to_thread(run_one, short, real_time=True, listen="127.0.9.32")

    with pytest.raises(MachineError, match=r"TCP port 44818 of 127\.0\.9\.32: the port is in use"):
        asyncio.run(both())


def test_controller_lives_at_another_loopback_address() -> None:
    address, port = own_address("127.0.9.33")
    assert (address.startswith("127."), port) == (True, 2222) or address == "127.0.9.33"
