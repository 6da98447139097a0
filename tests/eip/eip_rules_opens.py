"""Conformance rows: Forward Opens granted and refused, null opens, closes, ownership, kinds, multicast.

What the sources mean stands at the head of eip_rules_explicit. `ot` and `to` are the network connection
parameters of a Forward Open: bit 15 redundant, 14-13 type (1 multicast, 2 point to point), 11-10 priority,
9 variable, 8-0 size.
"""

from __future__ import annotations

from typing import Any

from eip_rules import (
    CLOSED,
    FROM_2222,
    NOT_FOUND,
    ONLY_INPUT,
    ONLY_LISTEN,
    OT_ID,
    POINTS,
    Rule,
    ask,
    at,
    closes,
    enc,
    feeds,
    forward_close,
    forward_open,
    granted,
    inputs,
    opens,
    refused,
    rule,
    sees,
    sockaddr,
    spaced,
    tcp,
    told,
)

from bench.eip.config import OnLoss, OutputFormat

EXT = "dissector cip.cm.ext_status"
GENSTAT = "dissector cip.genstat"
FWO = "dissector cip.cm.fwo"
LIBRARY = "adapter library"
CHOICE = "choice"
MEMORY = "memory"
KEY_0 = "34 04 0000 0000 0000 00 00"
HEARTBEAT = 0x4802  # point to point, 2 bytes: the count alone
MANY = 0x2822  # multicast, scheduled, fixed, 34 bytes
GROUP_ID, GROUP_OT = 0x0077_0001, 0x0077_0002
GROUP = sockaddr(0x8001, "239.192.1.0")
JOINED = {"to": MANY, "ids": (0, 0)}


def many(**fields: Any) -> str:
    """The reply to the first multicast open of an adapter."""
    return granted(**{"ot_id": GROUP_OT, "to_id": GROUP_ID, **fields})


GRANTED = (
    rule(
        "FWO-01",
        "class 1, point to point both ways; the reply has 0x8000 {2222, 0.0.0.0} beside it",
        "capture; adapter library",
        opens(granted(), items_back=FROM_2222),
    ),
    rule(
        "FWO-02",
        "the O->T id is the target's, incarnation above; the T->O id the originator's",
        LIBRARY,
        opens(granted(OT_ID, 0xCAFE_0007), ids=(0x1234_5678, 0xCAFE_0007)),
    ),
    rule(
        "FWO-03",
        "T->O multicast: id of the target, group in 0x8001",
        "capture",
        opens(many(), items_back=f"{FROM_2222} {GROUP}", **JOINED),
    ),
    rule(
        "FWO-04",
        "a captured scanner: zero key, no items, ids 0/0, multicast, 26 bytes, 10 ms, x16",
        "capture",
        opens(
            many(),
            items_back=f"{FROM_2222} {GROUP}",
            path=KEY_0 + "20 04 24 97 2C 96 2C 64",
            ot=0x481A,
            to=0x281A,
            code=2,
            ids=(0, 0),
        ),
        output_size=20,
        input_size=24,
    ),
    rule(
        "FWO-05",
        "large Forward Open",
        "dissector (service 0x5B)",
        opens(granted(service=0xDB), large=True, ot=0x4800_0026, to=0x4800_0022),
    ),
    rule(
        "FWO-06",
        "large Forward Open of 1400 bytes each way",
        "OpENer#369",
        opens(granted(service=0xDB), large=True, ot=0x4800_057E, to=0x4800_057A),
        output_size=1400,
        input_size=1400,
    ),
    rule(
        "FWO-07", "class 0: no count in the sizes", LIBRARY, opens(granted(), ot=0x4824, to=0x4820, trigger=0)
    ),
    rule(
        "FWO-08",
        "the direction bit of class/trigger makes no difference",
        FWO,
        opens(granted(), trigger=0x81),
    ),
    rule("FWO-09", "trigger change of state", FWO, opens(granted(), trigger=0x11)),
    rule("FWO-10", "trigger application", FWO, opens(granted(), trigger=0x21)),
    rule(
        "FWO-11",
        "an RPI between two ticks is rounded up, the reply says so",
        "OpENer#280",
        opens(granted(ot_us=3000, to_us=10_000), ot_us=2_500, to_us=9_001),
    ),
    rule(
        "FWO-12",
        "the smallest RPI that is kept",
        CHOICE,
        opens(granted(ot_us=2000, to_us=2000), ot_us=2000, to_us=2000),
    ),
    rule(
        "FWO-13",
        "the largest RPI that is kept, 10 s",
        CHOICE,
        opens(granted(ot_us=10_000_000, to_us=10_000_000), ot_us=10_000_000, to_us=10_000_000),
    ),
    rule("FWO-14", "multiplier code 7, x512", FWO, opens(granted(), code=7)),
    rule("FWO-15", "a variable size, at its maximum", FWO, opens(granted(), ot=0x4A26, to=0x4A22)),
    rule(
        "FWO-16",
        "no configuration instance in the path",
        "OpENer#144",
        opens(granted(), path="20 04 2C 96 2C 64"),
    ),
    rule(
        "FWO-17",
        "the class repeated before each point",
        "OpENer#272",
        opens(granted(), path="20 04 24 97 20 04 2C 96 20 04 2C 64"),
    ),
    rule("FWO-18", "points as instances, 24 xx", LIBRARY, opens(granted(), path="20 04 24 97 24 96 24 64")),
    rule(
        "FWO-19",
        "16-bit segments",
        "dissector (EPATH)",
        opens(granted(), path="21 00 04 00 25 00 97 00 2D 00 96 00 2D 00 64 00"),
    ),
    rule("FWO-20", "a key of zeros: any device", "capture", opens(granted(), path=KEY_0 + POINTS)),
    rule(
        "FWO-21",
        "a key that names this adapter",
        LIBRARY,
        opens(granted(), path="34 04 0000 0C00 0700 02 03" + POINTS),
    ),
    rule(
        "FWO-22",
        "compatibility bit: a device of a newer minor revision",
        LIBRARY,
        opens(granted(), path="34 04 0000 0C00 0700 82 01" + POINTS),
    ),
    rule(
        "FWO-23",
        "configuration data the station expects, padded to words",
        "OpENer#197",
        opens(granted(), path=POINTS + "80 02 616263 00"),
        configuration=b"abc",
    ),
    rule(
        "FWO-24",
        "an empty data segment, where there is no configuration",
        LIBRARY,
        opens(granted(), path=POINTS + "80 00"),
    ),
    rule(
        "FWO-25",
        "inhibit time in ms equal to the RPI",
        MEMORY,
        opens(granted(), path=POINTS + "43 0A", trigger=0x11),
    ),
    rule(
        "FWO-26",
        "inhibit time in us",
        MEMORY,
        opens(granted(), path=POINTS + "51 02 88130000", trigger=0x11),
    ),
    rule(
        "FWO-27",
        "frames go from port 2222 to the originator's port 2222",
        "OpENer#137",
        opens(granted()),
        at(0),
        sees("last peer", "from 2222 to 127.0.0.9:2222 dscp 47"),
    ),
    rule(
        "FWO-28",
        "an item 0x8001 names another port of the originator; its address is not taken",
        "OpENer PR#346; choice",
        opens(granted(), items=(sockaddr(0x8001, "10.0.0.1", 3333),)),
        at(0),
        sees("last peer", "from 2222 to 127.0.0.9:3333 dscp 47"),
    ),
    rule(
        "FWO-29",
        "both socket address items in the request, in the other order",
        "ethernet-ip#88",
        opens(granted(), items=(sockaddr(0x8001, "0.0.0.0", 3333), sockaddr(0x8000, "0.0.0.0"))),
        at(0),
        sees("last peer", "from 2222 to 127.0.0.9:3333 dscp 47"),
    ),
    *(
        rule(
            f"FWO-3{priority}",
            f"T->O priority {name} is sent with DSCP {dscp}",
            "adapter library (QoS); OpENer#259",
            opens(granted(), to=0x4022 | priority << 10),
            at(0),
            sees("last peer", f"from 2222 to 127.0.0.9:2222 dscp {dscp}"),
        )
        for priority, (name, dscp) in enumerate(
            (("low", 31), ("high", 43), ("scheduled", 47), ("urgent", 55))
        )
    ),
    rule(
        "FWO-34",
        "two opens in one segment: both are answered",
        "capture",
        tcp(
            enc(0x65, "0100 0000") + enc(4),
            enc(0x65, "0100 0000", 0x0077_0001),
            enc(4, "0100 0001 1400 0100 2001 436F6D6D756E69636174696F6E73 0000"),
        ),
        opens(granted()),
        opens(granted(0x0077_0002, serial=2), path=ONLY_INPUT, ot=HEARTBEAT, serial=2),
    ),
)


def no(
    id_: str,
    what: str,
    source: str,
    sentence: str,
    *words: int,
    config: dict[str, Any] | None = None,
    **fields: Any,
) -> Rule:
    """A Forward Open that is refused with 0x01 and `words`, and what the log says."""
    service = 0xDB if fields.get("large") else 0xD4
    return rule(
        id_, what, source, opens(refused(*words, service=service), **fields), told(sentence), **(config or {})
    )


ABC = {"configuration": b"abc"}
TEN = {"configuration": bytes(range(10))}
OWN_RANGE = "this adapter keeps 2000 to 10000000 us"

REFUSED = (
    no(
        "REF-01",
        "O->T without the header: the right size is the second word",
        "OpENer#362, #51",
        "asked for 36 output bytes; output assembly 150 takes 32 + 4 header + 2 count = 38",
        *(0x127, 38),
        ot=0x4824,
    ),
    no("REF-02", "O->T two bytes more", EXT, "= 38", 0x127, 38, ot=0x4828),
    no("REF-03", "O->T payload alone", "OpENer#362", "asked for 32 output bytes", 0x127, 38, ot=0x4820),
    no(
        "REF-04",
        "T->O with a header",
        EXT,
        "asked for 38 input bytes; input assembly 100 gives 32 + 2 count = 34",
        *(0x128, 34),
        to=0x4826,
    ),
    no("REF-05", "class 0 with the sizes of class 1", EXT, "32 + 4 header = 36", 0x127, 36, trigger=0x00),
    no(
        "REF-06",
        "large Forward Open of the wrong size",
        EXT,
        "= 38",
        0x127,
        38,
        large=True,
        ot=0x4800_1000,
        to=0x4800_0022,
    ),
    no(
        "REF-07",
        "a heartbeat with data",
        EXT,
        "the heartbeat of an input only connection (point 152) takes 0 + 2 count = 2",
        0x127,
        2,
        path=ONLY_INPUT,
    ),
    no(
        "REF-08",
        "zero-length idle: no header in the size",
        EXT,
        "32 + 2 count = 34",
        0x127,
        34,
        config={"output_format": OutputFormat.ZERO_LENGTH},
    ),
    no(
        "REF-09",
        "RPI 0: the smallest acceptable is named",
        EXT,
        OWN_RANGE,
        0x112,
        0x0002,
        2000,
        0,
        10_000,
        0,
        ot_us=0,
    ),
    no("REF-10", "RPI 0.1 ms", "OpENer#280", OWN_RANGE, 0x112, 0x0200, 10_000, 0, 2000, 0, to_us=100),
    no(
        "REF-11",
        "both intervals too small",
        EXT,
        OWN_RANGE,
        0x112,
        0x0202,
        2000,
        0,
        2000,
        0,
        ot_us=1000,
        to_us=1000,
    ),
    no(
        "REF-12",
        "an interval beyond 10 s: the largest is named",
        EXT,
        OWN_RANGE,
        0x112,
        0x0003,
        0x9680,
        0x98,
        10_000,
        0,
        ot_us=10_000_001,
    ),
    no("REF-13", "timeout multiplier code 8", LIBRARY, "code 8; expected 0 (x4) to 7 (x512)", 0x133, code=8),
    no("REF-14", "redundant owner bit", EXT, "one owner is offered", 0x125, ot=0xC826),
    no(
        "REF-15",
        "O->T multicast",
        EXT,
        "multicast O->T connection; point to point is offered",
        0x123,
        ot=0x2826,
    ),
    no("REF-16", "O->T null, T->O not", EXT, "null O->T connection", 0x123, ot=0x0826),
    no("REF-17", "T->O null, O->T not", EXT, "null T->O connection", 0x124, to=0x0822),
    no("REF-18", "T->O of the reserved type", EXT, "reserved T->O", 0x124, to=0x6822),
    no(
        "REF-19",
        "transport class 2",
        EXT,
        "classes 0 and 1 carry I/O data, class 3 messages",
        0x11C,
        trigger=0x02,
    ),
    no("REF-20", "transport class 6", EXT, "transport class 6", 0x11C, trigger=0x06),
    no(
        "REF-21",
        "production trigger 3",
        EXT,
        "offered are 0 cyclic, 1 change of state, 2 application",
        0x11D,
        trigger=0x31,
    ),
    no(
        "REF-22",
        "key: vendor",
        LIBRARY,
        "vendor 5; this adapter's vendor id is 0",
        0x114,
        path="34 04 0500 0000 0000 00 00" + POINTS,
    ),
    no(
        "REF-23",
        "key: product code",
        LIBRARY,
        "product code 8; this adapter's is 7",
        0x114,
        path="34 04 0000 0000 0800 00 00" + POINTS,
    ),
    no(
        "REF-24",
        "key: device type",
        LIBRARY,
        "device type 2; this adapter's is 12",
        0x115,
        path="34 04 0000 0200 0000 00 00" + POINTS,
    ),
    no(
        "REF-25",
        "key: major revision",
        LIBRARY,
        "revision 1.3; this adapter's is 2.3",
        0x116,
        path="34 04 0000 0000 0000 01 03" + POINTS,
    ),
    no(
        "REF-26",
        "key: minor revision without the compatibility bit",
        LIBRARY,
        "revision 2.2",
        0x116,
        path="34 04 0000 0000 0000 02 02" + POINTS,
    ),
    no(
        "REF-27",
        "key: a newer minor revision with the compatibility bit",
        LIBRARY,
        "revision 2.4",
        0x116,
        path="34 04 0000 0000 0000 82 04" + POINTS,
    ),
    no(
        "REF-28",
        "an unknown O->T point",
        EXT,
        "O->T assembly 200 and T->O assembly 100; expected configuration 151",
        0x12A,
        path="20 04 24 97 2C C8 2C 64",
    ),
    no("REF-29", "an unknown T->O point", EXT, "T->O 100", 0x12B, path="20 04 24 97 2C 96 2C C8"),
    no(
        "REF-30",
        "an unknown configuration instance",
        EXT,
        "configuration assembly 1; expected 151",
        0x129,
        path="20 04 24 01 2C 96 2C 64",
    ),
    no(
        "REF-31",
        "the two points exchanged",
        LIBRARY,
        "O->T assembly 100 and T->O assembly 150",
        0x12F,
        path="20 04 24 97 2C 64 2C 96",
    ),
    no("REF-32", "one point alone", LIBRARY, "1 assemblies", 0x12F, path="20 04 2C 64"),
    no("REF-33", "four points", CHOICE, "4 assemblies", 0x12F, path="20 04 24 97 2C 96 2C 64 2C 64"),
    no(
        "REF-34",
        "a class that is no assembly",
        EXT,
        "class 0x66; expected Assembly, class 0x04",
        0x117,
        path="20 66 24 97 2C 96 2C 64",
    ),
    no("REF-35", "no path", CHOICE, "class 0x00", 0x117, path=""),
    no(
        "REF-36",
        "a port segment in front",
        EXT,
        "start the path at the key or the class",
        0x311,
        path="01 00" + POINTS,
    ),
    no("REF-37", "a segment nobody knows", EXT, "byte 0: expected a port", 0x315, path="E1 00" + POINTS),
    no(
        "REF-38",
        "an attribute segment in a connection path",
        EXT,
        "attribute segment (3)",
        0x315,
        path=POINTS + "30 03",
    ),
    no(
        "REF-39",
        "2 words of configuration where 10 bytes are expected",
        "OpENer#197",
        "sent 4 bytes of configuration; assembly 151 takes 10",
        0x126,
        5,
        path=POINTS + "80 02 00010203",
        config=TEN,
    ),
    no("REF-40", "configuration where there is none", EXT, "takes 0", 0x126, 0, path=POINTS + "80 01 0102"),
    rule(
        "REF-41",
        "configuration of the right size and another content: 0x09 and the byte",
        CHOICE,
        opens(refused(2, status=9), path=POINTS + "80 02 616264 00"),
        told("configuration byte 2 = 0x64; the station expects 0x63"),
        **ABC,
    ),
    no(
        "REF-42",
        "an inhibit time above the T->O RPI",
        EXT,
        "11000 us; expected at most the T->O RPI, 10000 us",
        0x11B,
        path=POINTS + "43 0B",
    ),
    rule(
        "REF-43",
        "cut: 0x13",
        GENSTAT,
        ask("54 02 20 06 24 01 0A 05", "D4 00 13 00"),
        malformed=True,
    ),
    rule(
        "REF-44",
        "the path shorter than its size says: 0x13",
        GENSTAT,
        ask(spaced(forward_open()[:-2]), "D4 00 13 00"),
        malformed=True,
    ),
    rule(
        "REF-45", "bytes after the path: 0x15", GENSTAT, ask(spaced(forward_open() + b"\0\0"), "D4 00 15 00")
    ),
    rule(
        "REF-46",
        "a socket address item that is not 16 bytes: 0x205",
        EXT,
        opens(refused(0x205), items=("01 80 03 00 61 62 63",)),
        malformed=True,
    ),
    rule(
        "REF-47",
        "a socket address of another family: 0x205",
        EXT,
        opens(refused(0x205), items=("01 80 10 00 0003 08AE 00000000 0000000000000000",)),
        told("socket address family: expected 2, got 3"),
    ),
    rule(
        "REF-48",
        "a refused open leaves nothing behind",
        LIBRARY,
        opens(refused(0x127, 38), ot=0x4824),
        sees("open connections", "0"),
        opens(granted()),
    ),
    no(
        "REF-49",
        "order: type before duplicate, key, path and sizes",
        "adapter library",
        "redundant",
        0x125,
        ot=0xC824,
        path="",
    ),
    no(
        "REF-50",
        "order: key before points and sizes",
        "adapter library",
        "vendor 5",
        0x114,
        ot=0x4824,
        path="34 04 0500 0000 0000 00 00 20 04 24 01 2C C8",
    ),
    no(
        "REF-51",
        "order: points before sizes",
        "adapter library",
        "O->T assembly 200",
        0x12A,
        ot=0x4824,
        path="20 04 24 97 2C C8 2C 64",
    ),
)

NULL = {"ot": 0x0000, "to": 0x0000}
NULL_REPLY = granted(0, 0)

MATRIX = (
    rule("MTX-01", "new, not null: opened", LIBRARY, opens(granted()), sees("io", "open")),
    rule(
        "MTX-02",
        "matching, not null: 0x100, and the connection stays",
        EXT,
        opens(granted()),
        opens(refused(0x100)),
        sees("connections", "exclusive owner established"),
    ),
    rule(
        "MTX-03",
        "matching triad from another address: 0x100",
        EXT,
        opens(granted()),
        opens(refused(0x100), who="B"),
    ),
    rule(
        "MTX-04",
        "new, null: a question, answered without a connection",
        "memory; OpENer#320",
        opens(NULL_REPLY, **NULL),
        sees("open connections", "0"),
    ),
    rule(
        "MTX-05",
        "new, null, with the expected configuration",
        "memory; OpENer#188",
        opens(NULL_REPLY, path="20 04 24 97 80 02 616263 00", **NULL),
        **ABC,
    ),
    rule(
        "MTX-06",
        "new, null, with another configuration: 0x09 and the byte",
        CHOICE,
        opens(refused(0, status=9), path="20 04 24 97 80 02 626263 00", **NULL),
        **ABC,
    ),
    rule(
        "MTX-07",
        "matching, null: the ids of the connection, which goes on",
        MEMORY,
        opens(granted()),
        feeds(1, "run 0A", "run 0A"),
        opens(granted(), path="20 04 24 97", **NULL),
        sees("outputs", "run 0A"),
        sees("connections", "exclusive owner established"),
    ),
    rule(
        "MTX-08",
        "matching, null, with another configuration: refused, the connection goes on",
        CHOICE,
        opens(granted()),
        opens(refused(0, status=9), path="20 04 24 97 80 02 626263 00", **NULL),
        sees("connections", "exclusive owner established"),
        **ABC,
    ),
    rule(
        "MTX-09",
        "matching, null, from another address: the ids are not told",
        CHOICE,
        opens(granted()),
        opens(NULL_REPLY, who="B", **NULL),
    ),
    rule(
        "MTX-10",
        "null with a key that does not fit: 0x114",
        LIBRARY,
        opens(refused(0x114), path="34 04 0500 0000 0000 00 00 20 04 24 97", **NULL),
    ),
    rule(
        "MTX-11",
        "null to an unknown configuration: 0x129",
        EXT,
        opens(refused(0x129), path="20 04 24 01", **NULL),
    ),
    rule("MTX-12", "null, large", MEMORY, opens(granted(0, 0, service=0xDB), large=True, **NULL)),
    rule(
        "MTX-13",
        "the same triad after a close: opened",
        LIBRARY,
        opens(granted()),
        closes(),
        opens(granted(0x0077_0002)),
    ),
    rule(
        "MTX-14",
        "the same triad after a timeout: opened",
        LIBRARY,
        opens(granted()),
        at(10_000),
        opens(granted(0x0077_0002), who="A2"),
    ),
)

CLOSE = (
    rule(
        "CLS-01",
        "by triad: the reply repeats it; nothing is sent any more",
        "dissector cip.cm",
        opens(granted()),
        at(20),
        sees("frame times", "0 10 20"),
        closes(),
        at(100),
        sees("frame times", ""),
        sees("io", "none"),
    ),
    rule("CLS-02", "of nothing: 0x107", EXT, closes(NOT_FOUND), told("open for it: none")),
    rule(
        "CLS-03",
        "by another address: 0x107, the connection stays",
        "adapter library",
        opens(granted()),
        closes(NOT_FOUND, who="B"),
        sees("io", "open"),
    ),
    rule(
        "CLS-04",
        "over another link of the same address",
        LIBRARY,
        opens(granted()),
        closes(who="A2"),
        sees("io", "none"),
    ),
    *(
        rule(
            f"CLS-0{number}",
            f"another {name}: 0x107, and the log names what is open",
            EXT,
            opens(granted()),
            closes(refused(0x107, service=0xCE, **{**{"serial": 1}, **fields}), **fields),
            told("open for it: (1, 0, 99)"),
            sees("io", "open"),
        )
        for number, name, fields in (
            (5, "connection serial", {"serial": 2}),
            (6, "vendor", {"vendor": 7}),
            (7, "originator serial", {"originator": 98}),
        )
    ),
    rule("CLS-08", "twice: 0x107", EXT, opens(granted()), closes(), closes(NOT_FOUND)),
    rule("CLS-09", "cut: 0x13", GENSTAT, ask("4E 02 20 06 24 01 0A 05 01 00", "CE 00 13 00"), malformed=True),
    rule(
        "CLS-10", "bytes after the path: 0x15", GENSTAT, ask(spaced(forward_close() + b"\0\0"), "CE 00 15 00")
    ),
    rule(
        "CLS-11",
        "outputs follow the rule for a lost connection: clear",
        CHOICE,
        opens(granted()),
        feeds(1, "run 0A", "run 0A"),
        closes(),
        sees("outputs", "idle"),
    ),
    rule(
        "CLS-12",
        "outputs follow the rule for a lost connection: hold",
        CHOICE,
        opens(granted()),
        feeds(1, "run 0A", "run 0A"),
        closes(),
        sees("outputs", "idle 0A"),
        on_timeout=OnLoss.HOLD,
    ),
    rule(
        "CLS-13",
        "of a connection that timed out: closed, and its outputs are free",
        MEMORY,
        opens(granted()),
        at(10_000),
        closes(CLOSED, who="A2"),
        opens(granted(0x0077_0002, originator=5), who="B", originator=5),
    ),
    rule(
        "CLS-14",
        "frames after the close change nothing",
        LIBRARY,
        opens(granted()),
        closes(),
        feeds(1, "run 0A", "idle"),
        sees("strays", "1"),
    ),
    rule(
        "CLS-15",
        "of one of two: the other goes on",
        LIBRARY,
        opens(granted()),
        opens(granted(0x0077_0002, serial=2), path=ONLY_INPUT, ot=HEARTBEAT, serial=2),
        closes(),
        sees("connections", "exclusive owner closed; input only established"),
    ),
)

OTHER = {"originator": 7, "serial": 2}
HEARD = {"ot": HEARTBEAT, "path": ONLY_INPUT}
LISTENS = {"ot": HEARTBEAT, "path": ONLY_LISTEN}

OWNERSHIP = (
    rule(
        "OWN-01",
        "a second owner: 0x106, and the log names the first",
        "OpENer#256",
        opens(granted()),
        opens(refused(0x106, serial=2, originator=7), who="B", **OTHER),
        told("originator 127.0.0.9 (vendor 0, serial 99) owns"),
    ),
    rule(
        "OWN-02",
        "the same originator with another serial: 0x106",
        EXT,
        opens(granted()),
        opens(refused(0x106, serial=2), serial=2),
    ),
    rule(
        "OWN-03",
        "after a timeout the outputs wait for their originator: 0x106 for others",
        "OpENer PR#594",
        opens(granted()),
        at(10_000),
        opens(refused(0x106, serial=2, originator=7), who="B", **OTHER),
        told("whose connection timed out"),
    ),
    rule(
        "OWN-04",
        "after a timeout the same originator opens again, with any serial",
        "OpENer#256",
        opens(granted()),
        at(10_000),
        opens(granted(0x0077_0002, serial=5), who="A2", serial=5),
        sees("connections", "exclusive owner closed; exclusive owner established"),
    ),
    rule(
        "OWN-05",
        "the station may free the outputs of an owner that timed out",
        CHOICE,
        opens(granted()),
        at(10_000),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER),
        keep_owner_slot=False,
    ),
    rule(
        "OWN-06",
        "after a close anybody may own",
        LIBRARY,
        opens(granted()),
        closes(),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER),
    ),
    rule(
        "OWN-07",
        "the id of the owner from another address: dropped",
        CHOICE,
        opens(granted()),
        feeds(1, "run 0A", "run 0A"),
        feeds(2, "run FF", "run 0A", who="B"),
        told("dropped, one source feeds a connection"),
        sees("strangers", "1"),
    ),
    rule(
        "OWN-08",
        "the id of the owner from another address, before its first frame: dropped",
        CHOICE,
        opens(granted()),
        feeds(1, "run FF", "idle", who="B"),
        feeds(1, "run 0A", "run 0A"),
    ),
    rule(
        "OWN-09",
        "another port of the owner's address, once the first frame has come: dropped",
        CHOICE,
        opens(granted()),
        feeds(1, "run 0A", "run 0A", port=50_001),
        feeds(2, "run FF", "run 0A", port=2222),
        feeds(2, "run 0B", "run 0B", port=50_001),
    ),
    rule(
        "OWN-10",
        "a broken TCP link does not end an owner that goes on sending",
        MEMORY,
        opens(granted()),
        feeds(1, "run 0A", "run 0A"),
        tcp(enc(0x66, session=0x0077_0001), closed=True),
        feeds(2, "run 0B", "run 0B"),
        sees("connections", "exclusive owner established"),
    ),
)

INPUT_ONLY = (
    rule(
        "INP-01",
        "opened with a heartbeat of 2 bytes, without an owner",
        "OpENer#310; capture",
        opens(granted(), **HEARD),
        sees("connections", "input only established"),
    ),
    rule(
        "INP-02",
        "of class 0: a heartbeat of 0 bytes",
        LIBRARY,
        opens(granted(), path=ONLY_INPUT, ot=0x4800, to=0x4820, trigger=0),
    ),
    rule(
        "INP-03",
        "beside an owner, each with its own frames",
        LIBRARY,
        opens(granted()),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **HEARD),
        at(0),
        sees("frame times", "0 0"),
    ),
    rule(
        "INP-04",
        "its heartbeat never changes outputs",
        "OpENer#310",
        opens(granted()),
        feeds(1, "run 0A", "run 0A"),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **HEARD),
        feeds(1, "raw", "run 0A", who="B", connection_id=0x0077_0002),
        sees("strangers", "0"),
    ),
    rule(
        "INP-05",
        "data on its heartbeat: dropped",
        CHOICE,
        opens(granted(), **HEARD),
        feeds(1, "run FF", "idle"),
        told("O->T frame: expected 0 bytes after the count, got 36"),
    ),
    rule(
        "INP-06",
        "without heartbeats it ends",
        LIBRARY,
        opens(granted(), **HEARD),
        at(10_000),
        sees("connections", "input only timed out"),
    ),
    rule(
        "INP-07",
        "its timeout leaves the owner's outputs alone",
        LIBRARY,
        opens(granted(ot_us=10_000_000), ot_us=10_000_000),
        feeds(1, "run 0A", "run 0A"),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **HEARD),
        at(10_000),
        sees("outputs", "run 0A"),
    ),
    rule(
        "INP-08",
        "a timeout keeps no place for it",
        LIBRARY,
        opens(granted(), **HEARD),
        at(10_000),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **HEARD),
    ),
)

LISTEN_ONLY = (
    rule(
        "LST-01",
        "without another connection: 0x119",
        "OpENer#279",
        opens(refused(0x119), **LISTENS),
        told("asked to listen only to assembly 100, which no owner or input-only connection has open"),
    ),
    rule(
        "LST-02",
        "beside an owner that is point to point",
        "OpENer#279",
        opens(granted()),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **LISTENS),
    ),
    rule(
        "LST-03",
        "beside an input-only connection",
        LIBRARY,
        opens(granted(), **HEARD),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **LISTENS),
    ),
    rule(
        "LST-04",
        "it ends when the owner closes",
        "adapter library",
        opens(granted()),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **LISTENS),
        closes(),
        sees("connections", "exclusive owner closed; listen only closed"),
        told("the last connection it listened to is gone"),
    ),
    rule(
        "LST-05",
        "several end together",
        "adapter library",
        opens(granted()),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **LISTENS),
        opens(granted(0x0077_0003, serial=3, originator=8), who="C", serial=3, originator=8, **LISTENS),
        closes(),
        sees("connections", "exclusive owner closed; listen only closed; listen only closed"),
    ),
    rule(
        "LST-06",
        "it ends when the owner times out",
        "adapter library",
        opens(granted()),
        opens(
            granted(0x0077_0002, ot_us=10_000_000, serial=2, originator=7),
            who="B",
            ot_us=10_000_000,
            **OTHER,
            **LISTENS,
        ),
        at(10_000),
        sees("connections", "listen only closed; exclusive owner timed out"),
    ),
    rule(
        "LST-07",
        "it goes on while an input-only connection is left",
        LIBRARY,
        opens(granted()),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **HEARD),
        opens(granted(0x0077_0003, serial=3, originator=8), who="C", serial=3, originator=8, **LISTENS),
        closes(),
        sees("connections", "exclusive owner closed; input only established; listen only established"),
    ),
    rule(
        "LST-08",
        "an owner that timed out is nothing to listen to: 0x119",
        CHOICE,
        opens(granted()),
        at(10_000),
        opens(refused(0x119, serial=2, originator=7), who="B", **OTHER, **LISTENS),
    ),
    rule(
        "LST-09",
        "a listener is nothing to listen to",
        LIBRARY,
        opens(granted()),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **LISTENS),
        closes(),
        opens(refused(0x119, serial=3, originator=8), who="C", serial=3, originator=8, **LISTENS),
    ),
    rule(
        "LST-10",
        "its heartbeat never changes outputs",
        LIBRARY,
        opens(granted()),
        feeds(1, "run 0A", "run 0A"),
        opens(granted(0x0077_0002, serial=2, originator=7), who="B", **OTHER, **LISTENS),
        feeds(1, "raw", "run 0A", who="B", connection_id=0x0077_0002),
    ),
)

TWICE = {"serial": 2, "originator": 7}


def joins(reply: str, **fields: Any) -> Any:
    """A second originator opens input-only, multicast."""
    return opens(reply, who="B", **{**TWICE, **HEARD, **JOINED, **fields})


def joined() -> str:
    return granted(0x0077_0003, GROUP_ID, **TWICE)


FIRST = opens(many(), **JOINED)

MULTICAST = (
    rule(
        "MCA-01",
        "frames go to the group, port 2222",
        "adapter library; capture",
        FIRST,
        at(0),
        sees("last peer", "from 2222 to 239.192.1.0:2222 dscp 47"),
    ),
    rule(
        "MCA-02",
        "a host's group: 239.192.1.0 + 32 x (host id - 1); host 37 is 239.192.5.128",
        "adapter library; capture (index 36)",
        opens(
            many(),
            items_back=f"{FROM_2222} {sockaddr(0x8001, '239.192.5.128')}",
            **JOINED,
        ),
        address="127.0.0.37",
    ),
    rule(
        "MCA-03",
        "a later joiner gets the same id and group; one frame serves both",
        "adapter library",
        FIRST,
        joins(joined(), items_back=f"{FROM_2222} {GROUP}"),
        at(20),
        sees("frame times", "0 10 20"),
    ),
    rule(
        "MCA-04",
        "the group goes on when the first one closes, until the last one does",
        "adapter library",
        FIRST,
        joins(joined()),
        closes(),
        at(20),
        sees("frame times", "0 10 20"),
        closes(refused(status=0, service=0xCE, **TWICE), who="B", **TWICE),
        at(100),
        sees("frame times", ""),
    ),
    rule(
        "MCA-05",
        "point to point and multicast beside each other",
        LIBRARY,
        FIRST,
        opens(granted(0x0077_0003, **TWICE), who="B", **TWICE, **HEARD),
        at(0),
        sees("frame times", "0 0"),
    ),
    rule(
        "MCA-06",
        "an originator of another subnet: 0x813, frames have TTL 1",
        "OpENer#275",
        opens(refused(0x813), who="far", **JOINED),
        told("so use point to point"),
    ),
    rule("MCA-07", "an originator of another subnet, point to point", LIBRARY, opens(granted(), who="far")),
    rule(
        "MCA-08",
        "another RPI: 0x112 with the one required",
        "adapter library",
        FIRST,
        joins(refused(0x112, 0x0400, 10_000, 0, 10_000, 0, **TWICE), to_us=20_000),
        told("it is produced every 10000 us"),
    ),
    *(
        rule(
            f"MCA-{number:02}",
            f"another {name}: 0x{extended:03X}",
            "adapter library",
            FIRST,
            joins(refused(extended, **TWICE), **fields),
            told(sentence),
        )
        for number, name, extended, fields, sentence in (
            (9, "size type", 0x135, {"to": 0x2A22}, "variable size True; it is produced with False"),
            (10, "priority", 0x136, {"to": 0x2C22}, "priority 3; it is produced with 2"),
            (11, "class", 0x137, {"trigger": 0x00, "ot": 0x4800, "to": 0x2820}, "transport class 0"),
            (12, "trigger", 0x138, {"trigger": 0x11}, "trigger 1; it is produced with 0"),
            (13, "inhibit time", 0x139, {"path": ONLY_INPUT + "43 05"}, "inhibit time in us 5000"),
        )
    ),
    rule(
        "MCA-14",
        "a new first one after the last one left may ask for another RPI",
        LIBRARY,
        FIRST,
        closes(),
        opens(granted(0x0077_0004, 0x0077_0003, to_us=20_000), to_us=20_000, **JOINED),
    ),
    rule(
        "MCA-15",
        "inputs that change are in the next frame for both",
        LIBRARY,
        FIRST,
        joins(joined()),
        at(5),
        inputs("0B"),
        at(10),
        sees("last frame", "seq 2 count 2 0B"),
    ),
)

OPENS: dict[str, tuple[Rule, ...]] = {
    "forward open granted": GRANTED,
    "forward open refused": REFUSED,
    "null, duplicate, reconfiguring": MATRIX,
    "close": CLOSE,
    "ownership": OWNERSHIP,
    "input-only": INPUT_ONLY,
    "listen-only": LISTEN_ONLY,
    "multicast": MULTICAST,
}
