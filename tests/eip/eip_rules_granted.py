"""Conformance rows: Forward Opens that are granted.

What the sources mean stands at the head of eip_rules_encapsulation.
`ot` and `to` are the network connection parameters of a Forward Open: bit 15 redundant, 14-13 type
(1 multicast, 2 point to point), 11-10 priority, 9 variable, 8-0 size.
"""

from __future__ import annotations

from struct import pack
from typing import Any

from eip_rules import (
    FROM_2222,
    ONLY_INPUT,
    OT_ID,
    POINTS,
    SESSION,
    at,
    enc,
    forward_open,
    granted,
    opens,
    register,
    rule,
    sees,
    sockaddr,
    tcp,
)

FWO = "dissector cip.cm.fwo"
LIBRARY = "adapter library"
CHOICE = "choice"
MEMORY = "memory"
KEY_0 = "34 04 0000 0000 0000 00 00"
HEARTBEAT = 0x4802  # point to point, 2 bytes: the count alone
MANY = 0x2822  # multicast, scheduled, fixed, 34 bytes
GROUP_ID, GROUP_OT = 0x0077_0001, 0x0077_0002
GROUP = sockaddr(0x8001, "239.192.1.0")
JOINED: dict[str, Any] = {"to": MANY, "ids": (0, 0)}


def many(**fields: Any) -> str:
    """The reply to the first multicast open of an adapter."""
    return granted(**{"ot_id": GROUP_OT, "to_id": GROUP_ID, **fields})


def framed(message: bytes, *beside: str) -> bytes:
    """A SendRRData frame, request or reply, with the items beside the message."""
    head = pack("<IHHHHHH", 0, 0, 2 + len(beside), 0, 0, 0xB2, len(message))
    return enc(0x6F, head + message + bytes.fromhex("".join(beside)), SESSION)


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
        "two opens in one segment: both are answered, in order",
        "capture",
        register(),
        tcp(
            framed(forward_open()) + framed(forward_open(ONLY_INPUT, HEARTBEAT, serial=2)),
            framed(bytes.fromhex(granted()), FROM_2222),
            framed(bytes.fromhex(granted(0x0077_0002, serial=2)), FROM_2222),
        ),
        sees("connections", "exclusive owner established; input only established"),
    ),
)
