"""Conformance rows: objects, class 3, wrapped messages, packets of requests.

What the sources mean stands at the head of eip_rules_encapsulation.
"""

from __future__ import annotations

from struct import pack
from typing import Any

from eip_rules import (
    CLOSED,
    MANAGER,
    ROUTER,
    ask,
    at,
    closes,
    feeds,
    forward_open,
    granted,
    link_lost,
    opens,
    refused,
    rule,
    sees,
    spaced,
    told,
    unit,
)

GENSTAT = "dissector cip.genstat"
LIBRARY = "adapter library"
CHOICE = "choice"
MEMORY = "memory"
GET_NAME = "0E 03 20 01 24 01 30 07"
NAME = "09 42656E636820492F4F"
OBJECTS = (
    rule(
        "OBJ-01",
        "Get_Attributes_All of the Identity",
        "dissector cip.id",
        ask("01 02 20 01 24 01", f"81 00 00 00 0000 0C00 0700 0203 3000 01001B0D {NAME}"),
    ),
    rule(
        "OBJ-02",
        "the 16-bit path forms name the same",
        "capture",
        ask("01 04 21 00 01 00 25 00 01 00", f"81 00 00 00 0000 0C00 0700 0203 3000 01001B0D {NAME}"),
    ),
    rule("OBJ-03", "an unknown class: 0x05", GENSTAT, ask("0E 03 20 37 24 C8 30 04", "8E 00 05 00")),
    rule("OBJ-04", "an unknown instance: 0x16", GENSTAT, ask("0E 03 20 01 24 02 30 01", "8E 00 16 00")),
    rule("OBJ-05", "an unknown attribute: 0x14", GENSTAT, ask("0E 03 20 01 24 01 30 63", "8E 00 14 00")),
    rule("OBJ-06", "an unknown service: 0x08", GENSTAT, ask("4C 02 20 01 24 01", "CC 00 08 00")),
    rule(
        "OBJ-07",
        "a path longer than the message: 0x04",
        GENSTAT,
        ask("0E 05 20 01 24 01 30 07", "8E 00 04 00"),
        malformed=True,
    ),
    rule("OBJ-08", "a path without a class: 0x04", GENSTAT, ask("0E 01 24 01", "8E 00 04 00")),
    rule(
        "OBJ-09",
        "a key in the path that does not fit: 0x25",
        GENSTAT,
        ask("0E 08 34 04 0500 0000 0000 00 00 20 01 24 01 30 07", "8E 00 25 00"),
        told("vendor 5; this adapter's vendor id is 0"),
    ),
    rule(
        "OBJ-10",
        "a key in the path that fits is passed over",
        GENSTAT,
        ask("0E 08 34 04 0000 0C00 0700 02 03 20 01 24 01 30 07", f"8E 00 00 00 {NAME}"),
    ),
    rule(
        "OBJ-11",
        "Reset is refused with the reason",
        CHOICE,
        ask("05 02 20 01 24 01", "85 00 08 00"),
        told("not reset over the network"),
    ),
    rule(
        "OBJ-12",
        "the input assembly is not settable: 0x0E",
        GENSTAT,
        ask("10 03 20 04 24 64 30 03 00", "90 00 0E 00"),
    ),
    rule(
        "OBJ-13",
        "the output assembly is not settable: 0x0E",
        GENSTAT,
        ask("10 03 20 04 24 96 30 03 00", "90 00 0E 00"),
    ),
    rule(
        "OBJ-14",
        "where the station allows it, unowned outputs are set",
        CHOICE,
        ask("10 03 20 04 24 96 30 03 0A0B", "90 00 00 00"),
        sees("outputs", "idle 0A0B"),
        output_size=2,
        settable_outputs=True,
    ),
    rule(
        "OBJ-15",
        "too little data: 0x13",
        GENSTAT,
        ask("10 03 20 04 24 96 30 03 0A", "90 00 13 00"),
        output_size=2,
        settable_outputs=True,
    ),
    rule(
        "OBJ-16",
        "too much data: 0x15",
        GENSTAT,
        ask("10 03 20 04 24 96 30 03 0A0B0C", "90 00 15 00"),
        output_size=2,
        settable_outputs=True,
    ),
    rule(
        "OBJ-17",
        "outputs somebody owns: 0x0C",
        GENSTAT,
        opens(granted()),
        ask("10 03 20 04 24 96 30 03" + "00" * 32, "90 00 0C 00", who="B"),
        settable_outputs=True,
    ),
    rule(
        "OBJ-18",
        "the status word: no I/O connection yet, then owned and idle, owned and running",
        "adapter library, identity header",
        ask("0E 03 20 01 24 01 30 05", "8E 00 00 00 30 00"),
        opens(granted()),
        ask("0E 03 20 01 24 01 30 05", "8E 00 00 00 71 00"),
        feeds(1, "run 0A", "run 0A"),
        ask("0E 03 20 01 24 01 30 05", "8E 00 00 00 61 00"),
    ),
    rule(
        "OBJ-19",
        "the status word after a timeout: a faulted I/O connection",
        "adapter library, identity header",
        opens(granted()),
        at(10_000),
        ask("0E 03 20 01 24 01 30 05", "8E 00 00 00 20 00", who="B"),
    ),
    rule(
        "OBJ-20",
        "attribute 13 of the TCP/IP Interface is set and read back",
        LIBRARY,
        ask("10 03 20 F5 24 01 30 0D 100E", "90 00 00 00"),
        ask("0E 03 20 F5 24 01 30 0D", "8E 00 00 00 100E"),
    ),
    rule("OBJ-21", "more than 3600 s: 0x09", LIBRARY, ask("10 03 20 F5 24 01 30 0D 110E", "90 00 09 00")),
    rule(
        "OBJ-22",
        "QoS: code points as the libraries have them",
        LIBRARY,
        ask("0E 03 20 48 24 01 30 05", "8E 00 00 00 2F"),
    ),
    rule(
        "OBJ-23",
        "QoS: a code point has six bits: 0x09",
        MEMORY,
        ask("10 03 20 48 24 01 30 05 40", "90 00 09 00"),
    ),
    rule(
        "OBJ-24",
        "Port class: the instance requests come in by",
        "capture",
        ask("0E 03 20 F4 24 00 30 08", "8E 00 00 00 0100"),
    ),
    rule(
        "OBJ-25",
        "no EDS in the adapter: File object 0x05",
        "capture",
        ask("0E 03 20 37 24 C8 30 04", "8E 00 05 00"),
    ),
    rule(
        "OBJ-26",
        "no LLDP Management object: 0x05",
        LIBRARY,
        ask("0E 04 21 00 09 01 24 01 30 01", "8E 00 05 00"),
    ),
    rule(
        "OBJ-27",
        "Get_Attributes_All of the Message Router: 0x08",
        LIBRARY,
        ask("01 02 20 02 24 01", "81 00 08 00"),
    ),
    rule(
        "OBJ-28",
        "the Message Router counts the connections",
        "dissector cip.mr",
        opens(granted()),
        ask("0E 03 20 02 24 01 30 03", "8E 00 00 00 0100"),
    ),
    rule(
        "OBJ-29",
        "Connection Manager attribute 1 counts opens, 4 those refused, 5 closes, 7 those refused",
        "dissector cip.cm.*_rejects",
        opens(refused(0x127, 38), ot=0x4824),
        opens(granted()),
        closes(),
        closes(refused(0x107, service=0xCE)),
        ask("0E 03 20 06 24 01 30 01", "8E 00 00 00 0200"),
        ask("0E 03 20 06 24 01 30 04", "8E 00 00 00 0100"),
        ask("0E 03 20 06 24 01 30 05", "8E 00 00 00 0200"),
        ask("0E 03 20 06 24 01 30 07", "8E 00 00 00 0100"),
    ),
    rule(
        "OBJ-30",
        "Connection Manager attribute 8 counts timeouts",
        "dissector cip.cm.conn_timouts",
        opens(granted()),
        at(10_000),
        ask("0E 03 20 06 24 01 30 08", "8E 00 00 00 0100", who="B"),
    ),
    rule(
        "OBJ-31",
        "a list: what cannot be read does not stop the others, 0x0A",
        GENSTAT,
        ask("03 02 20 01 24 01 0200 0100 6300", "83 00 0A 00 0200 0100 0000 0000 6300 1400"),
    ),
    rule(
        "OBJ-32",
        "the configuration assembly takes what the station expects",
        CHOICE,
        ask("10 03 20 04 24 97 30 03 616263", "90 00 00 00"),
        ask("10 03 20 04 24 97 30 03 616264", "90 00 09 00"),
        told("0x64 at byte 2"),
        configuration=b"abc",
    ),
)
# Class 3: Message Router, 8 bytes and more each way; 0xA3 is a server of class 3 with trigger application
TALK: dict[str, Any] = {"path": ROUTER, "ot": 0x41F8, "to": 0x41F4, "trigger": 0xA3}
GRANTED_TALK = granted()
ID = 0x0077_0001
CLASS_3 = (
    rule("CL3-01", "a connection to the Message Router is granted", "capture", opens(GRANTED_TALK, **TALK)),
    rule(
        "CL3-02",
        "a request is answered with its sequence count to the originator's id",
        "dissector enip.cpf.cdi.seqcnt",
        opens(GRANTED_TALK, **TALK),
        unit(ID, 1, GET_NAME, f"8E 00 00 00 {NAME}"),
    ),
    rule(
        "CL3-03",
        "the same count again: the same answer, not carried out again",
        MEMORY,
        opens(GRANTED_TALK, **TALK),
        unit(ID, 7, "10 03 20 F5 24 01 30 0D 0A00", "90 00 00 00"),
        unit(ID, 7, "0E 03 20 F5 24 01 30 0D", "90 00 00 00"),
        unit(ID, 8, "0E 03 20 F5 24 01 30 0D", "8E 00 00 00 0A00"),
    ),
    rule(
        "CL3-04",
        "an id that is not open: no answer",
        CHOICE,
        opens(GRANTED_TALK, **TALK),
        unit(0x0077_0002, 1, GET_NAME, ""),
        told("0x00770002, which is not open on this link"),
    ),
    rule(
        "CL3-05",
        "the id of another link's connection: no answer",
        CHOICE,
        opens(GRANTED_TALK, **TALK),
        unit(ID, 1, GET_NAME, "", who="A2"),
        told("0x00770001, which is not open on this link"),
    ),
    rule(
        "CL3-06",
        "it ends with its TCP link",
        CHOICE,
        opens(GRANTED_TALK, **TALK),
        link_lost(),
        sees("open connections", "0"),
    ),
    rule(
        "CL3-07",
        "without a request it ends after 10 s, the least of the first timeout",
        LIBRARY,
        opens(GRANTED_TALK, **TALK),
        at(9_999),
        sees("open connections", "1"),
        at(10_000),
        sees("open connections", "0"),
    ),
    rule(
        "CL3-08",
        "after a request the timeout is API x multiplier",
        "dissector cip.cm.timeout_multiplier",
        opens(GRANTED_TALK, **TALK),
        at(1_000),
        unit(ID, 1, GET_NAME, f"8E 00 00 00 {NAME}"),
        at(1_039),
        sees("open connections", "1"),
        at(1_040),
        sees("open connections", "0"),
    ),
    rule(
        "CL3-09",
        "Forward Close ends it",
        "dissector cip.cm",
        opens(GRANTED_TALK, **TALK),
        closes(CLOSED, path=ROUTER),
        unit(ID, 1, GET_NAME, ""),
    ),
    rule(
        "CL3-10",
        "to an assembly: 0x117",
        CHOICE,
        opens(refused(0x117), trigger=0xA3),
        told("expected the Message Router, class 0x02 instance 1"),
    ),
    rule(
        "CL3-11",
        "multicast T->O: 0x124",
        "dissector cip.cm.ext_status",
        opens(refused(0x124), **{**TALK, "to": 0x2822}),
    ),
    rule(
        "CL3-12",
        "messages of 2 bytes: 0x127 with the least size",
        CHOICE,
        opens(refused(0x127, 8), **{**TALK, "ot": 0x4002}),
    ),
    rule(
        "CL3-13",
        "an RPI of 0: 0x112 with what is kept",
        "dissector cip.cm.ext112otrpi",
        opens(refused(0x112, 0x0002, 1000, 0, 0x2710, 0), ot_us=0, **TALK),
    ),
    rule(
        "CL3-14",
        "a reply larger than the connection: 0x11",
        GENSTAT,
        opens(GRANTED_TALK, **{**TALK, "to": 0x4008}),
        unit(ID, 1, GET_NAME, "8E 00 11 00"),
        told("14 bytes in one reply; the reply has room for 6"),
    ),
    rule(
        "CL3-15",
        "a request larger than the connection: no answer",
        CHOICE,
        opens(GRANTED_TALK, **{**TALK, "ot": 0x4008}),
        unit(ID, 1, GET_NAME, ""),
        told("10 bytes; agreed are 4 to 8"),
    ),
    rule(
        "CL3-16",
        "the same triad twice: 0x100",
        "dissector cip.cm.ext_status",
        opens(GRANTED_TALK, **TALK),
        opens(refused(0x100), **TALK),
    ),
    rule(
        "CL3-17",
        "a Forward Open over class 3 opens I/O",
        MEMORY,
        opens(GRANTED_TALK, **TALK),
        unit(ID, 1, spaced(forward_open(serial=2)), granted(0x0077_0002, serial=2)),
        sees("io", "open"),
    ),
    rule(
        "CL3-18",
        "its timeout counts in Connection Manager attribute 8",
        "memory; dissector cip.cm.conn_timouts",
        opens(GRANTED_TALK, **TALK),
        at(10_000),
        ask("0E 03 20 06 24 01 30 08", "8E 00 00 00 0100", who="B"),
    ),
)


def wrapped(message: str, route: str = "") -> str:
    """An Unconnected_Send to the Connection Manager."""
    data, way = bytes.fromhex(message), bytes.fromhex(route)
    head = bytes.fromhex(f"52 02 {MANAGER} 0A 05") + pack("<H", len(data)) + data + bytes(len(data) % 2)
    return spaced(head + bytes((len(way) // 2, 0)) + way)


UNCONNECTED_SEND = (
    rule(
        "UCS-01",
        "without a route the message is ours; the reply is that of the message",
        "dissector cip.cm (Unconnected_Send)",
        ask(wrapped(GET_NAME), f"8E 00 00 00 {NAME}"),
    ),
    rule(
        "UCS-02",
        "a message of odd length has a pad byte",
        "dissector cip.cm (Unconnected_Send)",
        ask(wrapped("10 03 20 04 24 96 30 03 0A"), "90 00 00 00"),
        output_size=1,
        settable_outputs=True,
    ),
    rule(
        "UCS-03",
        "to slot 0 of a backplane: 0x01 / 0x0311, one word of the path is left",
        "capture (slot scan); dissector cip.cm.ext_status",
        ask(wrapped(GET_NAME, "01 00"), "D2 00 01 01 11 03 01 00"),
        told("nothing behind it: send the message without a route"),
    ),
    rule(
        "UCS-04",
        "out of our own port to another address: 0x01 / 0x0312",
        "dissector cip.cm.ext_status",
        ask(wrapped(GET_NAME, "12 09 31302E302E302E3939 00"), "D2 00 01 01 12 03 06 00"),
        told("this adapter is 127.0.0.1"),
    ),
    rule(
        "UCS-05",
        "out of our own port to our own address: it is ours",
        CHOICE,
        ask(wrapped(GET_NAME, "12 09 3132372E302E302E31 00"), f"8E 00 00 00 {NAME}"),
    ),
    rule(
        "UCS-06",
        "a route that is no route: 0x01 / 0x0315",
        "dissector cip.cm.ext_status",
        ask(wrapped(GET_NAME, "20 01"), "D2 00 01 01 15 03 01 00"),
    ),
    rule(
        "UCS-07",
        "cut: 0x01 / 0x0205",
        "dissector cip.cm.ext_status",
        ask(f"52 02 {MANAGER} 0A 05", "D2 00 01 01 05 02"),
        malformed=True,
    ),
    rule(
        "UCS-08",
        "a message size that does not fit: 0x01 / 0x0205",
        "dissector cip.cm.ext_status",
        ask(f"52 02 {MANAGER} 0A 05 20 00 {GET_NAME} 00 00", "D2 00 01 01 05 02"),
        malformed=True,
    ),
    rule(
        "UCS-09",
        "one inside another: 0x08",
        CHOICE,
        ask(wrapped(wrapped(GET_NAME)), "D2 00 08 00"),
        told("an Unconnected_Send inside another one"),
    ),
    rule(
        "UCS-10",
        "a wrapped Forward Open opens a connection, with its socket address item",
        MEMORY,
        ask(wrapped(spaced(forward_open())), granted()),
        sees("io", "open"),
    ),
    rule(
        "UCS-11",
        "an error of the message inside is its own reply",
        "dissector cip.cm (Unconnected_Send)",
        ask(wrapped("0E 03 20 37 24 C8 30 04"), "8E 00 05 00"),
    ),
)


def packet(*messages: str) -> str:
    """A Multiple Service Packet to the Message Router."""
    parts = [bytes.fromhex(message) for message in messages]
    at_byte, offsets = 2 + 2 * len(parts), []
    for part in parts:
        offsets.append(at_byte)
        at_byte += len(part)
    head = pack(f"<{1 + len(parts)}H", len(parts), *offsets)
    return spaced(bytes.fromhex(f"0A 02 {ROUTER}") + head + b"".join(parts))


MULTIPLE_SERVICE = (
    rule(
        "MSP-01",
        "two requests, two replies with their offsets",
        "dissector cip.msp",
        ask(
            packet(GET_NAME, "0E 03 20 01 24 01 30 03"),
            f"8A 00 00 00 0200 0600 1400 8E000000 {NAME} 8E000000 0700",
        ),
    ),
    rule(
        "MSP-02",
        "one that fails: 0x1E, the others are answered",
        GENSTAT,
        ask(
            packet("0E 03 20 37 24 01 30 01", "0E 03 20 01 24 01 30 03"),
            "8A 00 1E 00 0200 0600 0A00 8E000500 8E000000 0700",
        ),
        told("(request 1 of 2 in one packet)"),
    ),
    rule("MSP-03", "no request in it: 0x20", CHOICE, ask(f"0A 02 {ROUTER} 0000", "8A 00 20 00")),
    rule(
        "MSP-04",
        "offsets cut off: 0x13",
        GENSTAT,
        ask(f"0A 02 {ROUTER} 0200 0600", "8A 00 13 00"),
        malformed=True,
    ),
    rule(
        "MSP-05",
        "an offset outside: 0x20",
        CHOICE,
        ask(f"0A 02 {ROUTER} 0100 FF00 {GET_NAME}", "8A 00 20 00"),
        malformed=True,
    ),
    rule(
        "MSP-06",
        "a packet in a packet is refused inside: 0x08",
        CHOICE,
        ask(packet(packet(GET_NAME)), "8A 00 1E 00 0100 0400 8A000800"),
    ),
    rule(
        "MSP-07",
        "a Forward Open in a packet is refused inside: 0x08, nothing opens",
        CHOICE,
        ask(packet(spaced(forward_open())), "8A 00 1E 00 0100 0400 D4000800"),
        sees("io", "none"),
    ),
    rule(
        "MSP-08",
        "to an object that does not take packets: 0x08",
        GENSTAT,
        ask("0A 02 20 01 24 01 0100 0400 0E03200124013007", "8A 00 08 00"),
    ),
)
