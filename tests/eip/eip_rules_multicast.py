"""Conformance rows: T->O multicast.

What the sources mean stands at the head of eip_rules_encapsulation.
"""

from __future__ import annotations

from typing import Any

from eip_rules import (
    FROM_2222,
    ONLY_INPUT,
    at,
    closes,
    granted,
    inputs,
    opens,
    refused,
    rule,
    sees,
    sockaddr,
    told,
)

LIBRARY = "adapter library"
HEARTBEAT = 0x4802  # point to point, 2 bytes: the count alone
MANY = 0x2822  # multicast, scheduled, fixed, 34 bytes
GROUP_ID, GROUP_OT = 0x0077_0001, 0x0077_0002
GROUP = sockaddr(0x8001, "239.192.1.0")
JOINED: dict[str, Any] = {"to": MANY, "ids": (0, 0)}


def many(**fields: Any) -> str:
    """The reply to the first multicast open of an adapter."""
    return granted(**{"ot_id": GROUP_OT, "to_id": GROUP_ID, **fields})


HEARD: dict[str, Any] = {"ot": HEARTBEAT, "path": ONLY_INPUT}
TWICE: dict[str, Any] = {"serial": 2, "originator": 7}


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
