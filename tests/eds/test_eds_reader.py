"""Reading EDS text: what is taken, every mistake at its place, and nothing a hostile file could do."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from eds_cases import mistakes, offered, text_of
from hypothesis import given
from hypothesis import strategies as st

from bench.eds import connections, forward_open, read_eds
from bench.eds.mistakes import MOST_MISTAKES
from bench.eds.reader import MOST_CHARACTERS
from bench.errors import LocalError, WrongFiles

HEAD = """[File]
 DescText = "x"; CreateDate = 01-01-2025; CreateTime = 00:00:00; Revision = 1.0;
[Device]
 VendCode = 0; VendName = ""; ProdType = 12; ProdTypeStr = ""; ProdCode = 1;
 MajRev = 1; MinRev = 1; ProdName = "x";
[Device Classification]
 Class1 = EtherNetIP;
"""
# Written after the fields of a public EDS file of an open adapter: sizes left to the assemblies, a
# maximum left open, configuration 10 bytes, one parameter for every byte.
OPEN_STYLE = (
    HEAD
    + """[Params]
 Param1 = 0,,,0x0000,0xD1,1,"Data","","",,,0,,,,,,,,,;
 Param4 = 0,,,0x0000,0xC8,4,"RPI","","",20000,,30000,,,,,,,,,;
 Param5 = 0,,,0x0000,0xC6,1,"Point","","",,,150,,,,,,,,,;
[Assembly]
 Assem100 = "In","",4,0x0000,,,8,Param1,8,Param1,16,;
 Assem150 = "Out","",2,0x0001,,,8,Param1,8,0x5A;
 Assem151 = "Config","",10,0x0001,,,72,,8,7;
[Connection Manager]
 Connection1 = 0x84010002, 0x44640405, Param4,,Assem150, Param4,,Assem100, ,, ,Assem151,
   "Exclusive " $ a name in two pieces
   "Owner", "", "20 04 24 97 2C [Param5] 2C 64";
 Connection2 = 0x02010002, 0x44640305, Param4,0,, Param4,4,Assem100, ,, 0,, "Input Only","",
   "20 04 24 97 2C 98 2C 64";
"""
)


def changed(old: str, new: str) -> list[str]:
    assert OPEN_STYLE.count(old) >= 1
    return mistakes(OPEN_STYLE.replace(old, new, 1))


def test_open_style_resolves() -> None:
    owner, input_only = offered(OPEN_STYLE)
    assert (
        (owner.name, owner.ot.size, owner.to.size, owner.configuration, owner.path_text),
        (owner.ot.rpi.minimum_us, owner.ot.rpi.maximum_us, owner.ot.rpi.start_us),
        (input_only.kinds, input_only.ot.size, input_only.to.size),
    ) == (
        ("Exclusive Owner", 2, 4, bytes(9) + b"\x07", "20 04 24 97 2C 96 2C 64"),
        (20_000, 0xFFFF_FFFF, 30_000),
        (("input only",), 0, 4),
    )


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ('"a" "b"', "ab"),
        ('"a"\r\n  $ between; "not this"\r\n "b"', "ab"),
        (r'"say \"no\" \\ \x"', r'say "no" \ \x'),
        ('"$ , ; [File] = {"', "$ , ; [File] = {"),
        ("{1,2;3}", "{1,2;3}"),
        ("0x1F", "0x1F"),
        ("", ""),
    ],
)
def test_field_forms(text: str, value: str) -> None:
    assert read_eds(HEAD + f"[More]\n Entry = {text};").value("More", "Entry") == value


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("Revision = 1.0;", "Revision = 1.0", "2:66: 'Revision' is not closed; expected ; before [Device]"),
        ("VendCode = 0;", "VendCode = 0", "4:15: expected ; before 'VendName'"),
        ("VendCode = 0;", "VendCode 0;", "4:2: expected = after 'VendCode'"),
        ("VendCode = 0;", "VendCode = 0 1;", "4:15: expected , or ; before '1'"),
        ("VendCode = 0;", "VendCode = = 0;", "4:13: = has no place in a field; expected , or ;"),
        ("ProdCode = 1;", "", "3:1: ProdCode is missing"),
        ("ProdCode = 1;", "ProdCoda = 1;", "3:1: ProdCode is missing; did you mean 'ProdCoda'?"),
        ('ProdName = "x";', 'ProdName = "x;', '5:37: this string has no end; expected " on the same line'),
        (
            "Class1 = E",
            "Class1 = E; Class1 = E",
            "7:14: a second Class1; the first is in line 7, and one may stand",
        ),
        ("[Params]", "[Device]", "8:1: a second [Device]; the first is in line 3, and one may stand"),
        (
            "[Params]",
            "[Par%ms]",
            "8:1: 'Par%ms' is no section name; expected words as in [Device Classification]",
        ),
        ("[File]", "x = 1; [File]", "1:1: 'x' stands before the first section; expected [File]"),
        (
            "[Device Classification]",
            "[Device Classificatio]",
            "1:1: [Device Classification] is missing; did you mean 'Device Classificatio'?",
        ),
        (
            "0x84010002",
            "0x80010002",
            "17:16: no application type; expected one of bits 24 (listen only) to 27 (redundant owner)",
        ),
        (
            "0x84010002",
            "2B",
            "17:16: trigger and transport: expected a 32-bit number such as 0x04010002, got '2B'",
        ),
        ("0x44640405", "0x44640705", "17:28: O->T real-time format 7; expected 0, 1, 3 or 4"),
        (
            "0x44640405",
            "0x44600405",
            "17:28: O->T has no connection type; expected multicast or point to point",
        ),
        ("Param4,,Assem150", "Param3,,Assem150", "17:40: [Params] has no 'Param3'; did you mean 'Param5'?"),
        ("Param4,,Assem150", "Param4,,Asem150", "17:48: expected an Assem or nothing, got 'Asem150'"),
        (
            "Param4,4,Assem100",
            "Param4,5,Assem100",
            "20:58: T->O has 5 bytes, but Assem100 has 4; expected the same",
        ),
        ('"In","",4', '"In","",99', "13:21: 99 bytes, but the members add up to 32 bits; expected 4"),
        (
            "20000,,30000",
            "20000,,10000",
            "10:41: minimum 20000, maximum 4294967295, default 10000: expected them in order",
        ),
        (
            "20 04 24 97 2C 98",
            "20 04 24 97 2C G8",
            "21:4: 'G8' in a path; expected two hex digits or a [Param]",
        ),
        ("2C 98 2C 64", "2C 98 2C", "21:4: a path of 7 bytes; expected whole 16-bit words, at most 255"),
        (
            "0x44640305, Param4,0",
            "0x44640305, Param4,2",
            "20:47: O->T is a heartbeat and has 2 bytes; expected 0",
        ),
        (
            "[Connection Manager]",
            "[Connections]",
            "1:1: no connection; expected at least an entry Connection1",
        ),
        ("16,;", "16,Assem100;", "13:53: Assem100 goes in circles, or deeper than 8 assemblies"),
    ],
)
def test_mistakes_at_their_places(old: str, new: str, sentence: str) -> None:
    assert sentence in changed(old, new)


def test_all_mistakes_at_once() -> None:
    found = mistakes(HEAD.replace("VendCode = 0;", "").replace('ProdName = "x";', "").replace("12;", "12"))
    assert [line.partition(": ")[2][:20] for line in found] == [
        "ProdName is missing",
        "VendCode is missing",
        "expected ; before 'P",
    ]


def test_too_long_a_file_is_not_read() -> None:
    assert mistakes(" " * (MOST_CHARACTERS + 1)) == ["1:1: 4000001 characters; expected at most 4000000"]


def test_mistakes_end_somewhere() -> None:
    assert len(mistakes("=;" * 10_000)) == MOST_MISTAKES


HOSTILE = {
    "brackets": "[" * 500_000,
    "quotes": '"' * 500_001,
    "backslashes": '"' + "\\" * 500_000,
    "braces": "{" * 500_000,
    "equals": "[File]\n" + "A=" * 250_000,
    "commas": HEAD + "[More] A =" + "," * 500_000,
    "words": HEAD + "[More] A = " + "b " * 250_000,
    "entries": HEAD + "[More]\n" + "".join(f"A{n}=;" for n in range(50_000)),
    "sections": HEAD + "".join(f"[S{n}]" for n in range(50_000)),
    "wide": OPEN_STYLE.replace("8,0x5A;", "8,0x5A" + ",65535,1" * 10_000 + ";"),
    "nested": OPEN_STYLE.replace(
        "[Connection Manager]",
        "\n".join(f"Assem{n} = ,,,,," + f",,Assem{n + 1}" * 50 + ";" for n in range(152, 170))
        + "\n[Connection Manager]",
    ).replace("16,;", "16,Assem152;"),
    "connections": OPEN_STYLE
    + "".join(f"Connection{n} = 0x84010002, 0x44640405,,,,,,,,,,,,,;" for n in range(3, 5000)),
    "digits": OPEN_STYLE.replace("20000,,30000", "9" * 100_000),
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_hostile_files_end(text: str) -> None:
    assert len(mistakes(text)) <= MOST_MISTAKES


PIECES = st.sampled_from(
    [
        *'[]=,;${}"\\\n ',
        "[File]",
        "Param1",
        "Assem100",
        "0x84010002",
        '"20 04"',
        "Connection1",
        "[Params]",
        "9" * 30,
    ]
)


@given(st.lists(st.one_of(PIECES, st.text(max_size=4)), max_size=60).map("".join))
def test_any_text_is_read_or_refused(text: str) -> None:
    assert len(mistakes(HEAD + text)) + len(mistakes(text)) <= 2 * MOST_MISTAKES


@given(st.integers(0, len(OPEN_STYLE)), st.integers(0, 12), PIECES)
def test_a_broken_file_gives_a_request_or_mistakes(at: int, gone: int, put: str) -> None:
    text = OPEN_STYLE[:at] + put + OPEN_STYLE[at + gone :]
    try:
        found = connections(read_eds(text))
    except WrongFiles as wrong:
        found, lines = (), {mistake.line for mistake in wrong.mistakes}
        assert lines <= set(range(1, text.count("\n") + 2))
    for one in found:
        try:
            request = forward_open(one, triad=(1, 2, 3), to_id=4)
        except LocalError:
            continue
        assert type(request).decode(request.encode(), request.large) == request


@given(st.text(st.characters(codec="ascii", exclude_characters="\0"), max_size=40))
def test_any_product_name_comes_back(name: str) -> None:
    from bench.eip.config import Identity

    if 1 <= len(name) <= 32:
        text = text_of(identity=Identity(serial=1, product_name=name))
        assert read_eds(text).value("Device", "ProdName") == name


BANNED = {"asyncio", "socket", "time", "random", "os", "threading", "datetime"}


def test_room_knows_no_clock_no_machine_and_little_of_the_bench() -> None:
    found = set()
    for path in (Path(__file__).parents[2] / "bench" / "eds").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                found.add(str(node.module))
    rooms = {".".join(name.split(".")[:2]) for name in found if name.startswith("bench")}
    assert (found & BANNED, rooms) == (set(), {"bench.eds", "bench.eip", "bench.errors"})
