"""What `bench serve` and `bench check` make of the file they are given."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.cli import main
from bench.errors import LocalError, WrongFiles
from bench.suite import own_address, read_served

SCENARIOS = Path(__file__).parents[1] / "scenarios"
BENCH = SCENARIOS / "two_stations.bench.yaml"
DIBBLER = SCENARIOS / "dibbler" / "station.yaml"


def bench_file(folder: Path, entry: str) -> Path:
    path = folder / "some.bench.yaml"
    path.write_text(f"bench: Some\nstations:\n  - {entry}\n", encoding="utf-8")
    return path


def test_both_stations_of_a_bench() -> None:
    served = read_served(BENCH)
    assert [(s.station.model.station, s.address, s.program is not None) for s in served] == [
        ("Seed-tray dibbler", "127.0.0.1", True),
        ("Loopback", "127.0.0.3", False),
    ]


def test_a_station_alone_is_on_loopback_unless_told() -> None:
    addresses = [read_served(DIBBLER, listen)[0].address for listen in (None, "127.0.0.5")]
    assert addresses == ["127.0.0.1", "127.0.0.5"]


def test_listen_replaces_the_address_of_a_single_entry(tmp_path: Path) -> None:
    path = bench_file(tmp_path, f"{{station: {DIBBLER}, address: 127.0.0.4}}")
    addresses = [read_served(path, listen)[0].address for listen in (None, "127.0.0.5")]
    assert addresses == ["127.0.0.4", "127.0.0.5"]


def test_listen_for_several_is_refused() -> None:
    with pytest.raises(LocalError, match="--listen is for a single station"):
        read_served(BENCH, "127.0.0.5")


def test_an_address_nobody_can_have_is_refused() -> None:
    with pytest.raises(LocalError, match=r"--listen '127\.0\.0' is no IPv4 address"):
        read_served(DIBBLER, "127.0.0")


def test_a_missing_file_is_named_at_its_place(tmp_path: Path) -> None:
    with pytest.raises(WrongFiles) as caught:
        read_served(bench_file(tmp_path, "{station: none.yaml}"))
    mistake = caught.value.mistakes[0]
    assert (mistake.line, mistake.path, mistake.sentence) == (
        3,
        "stations[0].station",
        "there is no file 'none.yaml' here",
    )


def test_mistakes_of_its_stations_are_reported(tmp_path: Path) -> None:
    (tmp_path / "bad.yaml").write_text("station: Bad\n", encoding="utf-8")
    with pytest.raises(WrongFiles) as caught:
        read_served(bench_file(tmp_path, "{station: bad.yaml}"))
    assert caught.value.mistakes[0].file.endswith("bad.yaml")


def test_check_takes_a_bench_file(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["check", str(BENCH)])
    out = capsys.readouterr().out
    wanted = ("Loopback at 127.0.0.3", "DI1.0 to DI1.63", "512 points", "input image 32 bytes")
    assert (status, [words for words in wanted if words not in out]) == (0, [])


def test_the_help_of_serve_states_the_limits(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["serve", "--help"])
    out = capsys.readouterr().out
    assert ("TCP sessions 128, from one address 64" in out, "inactivity_s" in out) == (True, True)


def test_a_controller_stays_away_from_the_other_stations() -> None:
    address, _ = own_address("127.0.0.1", ["127.0.0.1", "127.0.0.2"])
    assert address not in ("127.0.0.2",)


def test_run_says_that_a_bench_file_is_for_serve(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["run", str(BENCH)])
    assert (status, "this is a bench file; `bench serve` takes those" in capsys.readouterr().err) == (2, True)
