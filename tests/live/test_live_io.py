"""`bench io` without a network: what it makes of events, of its options, and what it shows."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pytest
from rich.console import Console

from bench.cli import main
from bench.eip.events import Connected, Disconnected, InputsReceived, Refused
from bench.eip.scanner import ScannerConfig
from bench.errors import LocalError
from bench.live.io import IoCall, Lines, parse_bits, parse_hex
from bench.live.io_state import Story, Watched, gaps_of, output_image
from bench.live.io_view import bits_on, screen, summary

CONFIG = ScannerConfig(
    target=("127.0.0.1", 44818),
    address="127.0.0.2",
    input_assembly=100,
    input_size=2,
    output_assembly=150,
    output_size=2,
    configuration_assembly=151,
    rpi_ns=10_000_000,
    originator_serial=1,
)


def story_of(move: bool = False, **changes: Any) -> tuple[Story, list[str]]:
    ends: list[str] = []
    scanner = Watched(replace(CONFIG, **changes))
    return Story(scanner, parse_bits(["0.1=1"]) if move else (), move, lambda: ends.append("over")), ends


def shown(story: Story) -> str:
    out = io.StringIO()
    Console(file=out, width=120).print(screen(story.scanner, story, 1_000_000_000))
    return out.getvalue()


def test_outputs_stay_idle_without_the_acceptance() -> None:
    story, _ = story_of()
    story.hear(Connected(0, 10_000_000, 10_000_000))
    assert (story.scanner.run, story.scanner.outputs) == (False, bytes(2))


def test_outputs_are_driven_with_it() -> None:
    story, _ = story_of(move=True)
    story.hear(Connected(0, 10_000_000, 10_000_000))
    assert (story.scanner.run, story.scanner.outputs) == (True, b"\x02\x00")


def test_a_machine_does_not_start_again_by_itself() -> None:
    story, _ = story_of(move=True)
    for event in (Connected(0, 1, 1), Disconnected(1, "no T->O frame for 40 ms"), Connected(2, 1, 1)):
        story.hear(event)
    told = any("must not start again" in sentence for _, sentence in story.sentences)
    assert (story.scanner.run, story.scanner.outputs, told) == (False, bytes(2), True)


@pytest.mark.parametrize(
    "event", [Refused(0, "127.0.0.2", 1, (0x106,), "somebody owns it"), Disconnected(0, "refused TCP")]
)
def test_the_first_failure_without_frames_ends_it(event: Any) -> None:
    story, ends = story_of()
    story.scanner.start(0)
    story.scanner._wait(0)
    story.hear(event)
    reason = story.last_reason
    assert (ends, summary(story.scanner, story, 0)) == (["over"], f"No frame came from 127.0.0.1: {reason}")


def test_a_bit_outside_of_the_outputs_is_the_callers_mistake() -> None:
    story, ends = story_of(move=True, output_size=0)
    story.hear(Connected(0, 1, 1))
    assert (ends, story.scanner.run) == (["over"], False)
    assert str(story.wrong) == "--set 0.1: the target has 0 output bytes; expected no output at all"


def test_output_image() -> None:
    assert output_image(2, parse_bits(["0.0=1", "1.7=1", "0.3=1", "0.0=0"])) == b"\x08\x80"


@pytest.mark.parametrize("text", ["0.8=1", "0=1", "0.1", "0.1=2", "-1.0=1", "0.1=1 ", "٠.1=1"])
def test_a_bit_written_wrong(text: str) -> None:
    with pytest.raises(LocalError, match=r"expected BYTE\.BIT"):
        parse_bits([text])


def test_configuration_data() -> None:
    assert parse_hex("0A 00ff") == b"\x0a\x00\xff"
    with pytest.raises(LocalError, match="pairs of hex digits"):
        parse_hex("0A0")


def test_gaps() -> None:
    story, _ = story_of()
    story.scanner.gaps_ns.extend([10_000_000] * 98 + [12_000_000, 9_000_000])
    gaps = gaps_of(story.scanner.gaps_ns)
    assert gaps is not None
    assert (gaps.least, gaps.p99, gaps.most) == (9.0, 12.0, 12.0)


def test_bits_in_words() -> None:
    assert (bits_on(b"\x54\x24"), bits_on(b"")) == (
        "54 24  on: 0.2 0.4 0.6 1.2 1.5",
        "no bytes  on: none",
    )


def test_the_screen_shows_lights_and_the_last_refusal() -> None:
    story, _ = story_of()
    story.scanner._inputs = b"\x05\x00"
    story.scanner._wait(0)
    story.hear(Refused(0, "127.0.0.2", 1, (0x106,), "somebody owns it"))
    screen_text = shown(story)
    assert [part in screen_text for part in ("● ○ ● ○ ○ ○ ○ ○", "somebody owns it")] == [True, True]


def test_lines_come_once_and_count_what_was_between() -> None:
    story, _ = story_of()
    out = io.StringIO()
    console, lines = Console(file=out, width=200), Lines(story.scanner, story)
    story.hear(Connected(0, 10_000_000, 10_000_000))
    for data in (b"\x01\x00", b"\x02\x00", b"\x03\x00"):
        story.scanner._inputs = data
        story.hear(InputsReceived(0, data))
    lines.print_new(console, 250_000_000)
    lines.print_new(console, 500_000_000)
    assert out.getvalue().splitlines() == [
        "    0.000 s  connected: API 10 ms O->T, 10 ms T->O",
        "    0.250 s  inputs 03 00  on: 0.0 0.1  (2 more since the last line)",
    ]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--set", "0.0=1"], "it needs --accept-moving-a-machine"),
        (["--set", "0.9=1", "--accept-moving-a-machine"], "expected BYTE.BIT=0"),
        (["--accept-moving-a-machine", "--kind", "input-only"], "expected --kind owner"),
        (["--config-data", "xyz"], "pairs of hex digits"),
        (["--rpi-ms", "0"], "rpi_ns 0: expected"),
        (["--rpi-ms", "fast"], "fast"),
        (["--multiplier", "5"], "expected one of 4, 8"),
        (["--from", "192.0.2.1"], "no such address here"),
    ],
)
def test_a_wrong_call_is_2_with_a_sentence(
    options: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status = main(["io", "127.0.0.1", *options])
    assert (status, sentence in capsys.readouterr().err) == (2, True)


def test_the_flag_has_no_short_form(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["io", "127.0.0.1", "--accept", "--set", "0.0=1"])
    assert (ended.value.code, "unrecognized arguments: --accept" in capsys.readouterr().err) == (2, True)


def test_a_call_without_the_flag_never_moves() -> None:
    with pytest.raises(LocalError, match="a coil that is switched moves a machine"):
        IoCall(host="127.0.0.1", bits=((0, 0, True),))
