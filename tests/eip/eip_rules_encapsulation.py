"""Conformance rows: the encapsulation and its packet items.

Sources, as they stand in the rows: "dissector" is the open Wireshark dissector (its field or table);
"adapter library" the source of an open adapter library; "capture" frames of devices in public captures;
"name#number" a public thread of an open library; "memory" unchecked; "choice" is this adapter's own.
"""

from __future__ import annotations

from struct import pack

from eip_rules import (
    SESSION,
    ask,
    at,
    enc,
    granted,
    opens,
    register,
    rule,
    sees,
    spaced,
    tcp,
    told,
    udp,
)

SERVICES = "0100 0001 1400 0100 2001 436F6D6D756E69636174696F6E73 0000"
IDENTITY = (
    "0100 0C00 2B00 0100 0002 AF12 7F000001 0000000000000000"
    "0000 0C00 0700 0203 3000 01001B0D 09 42656E636820492F4F 03"
)
OWN_VERSION = "0100 0000"
ENC_STATUS = "dissector enip.status"
LIBRARY = "adapter library"
CHOICE = "choice"
MEMORY = "memory"
GET_NAME = "0E 03 20 01 24 01 30 07"
NAME = "09 42656E636820492F4F"


def rr(message: str, handle: int = 0, count: int = 2, tail: str = "", first: str = "0000 0000") -> str:
    """Data of a SendRRData frame, part by part."""
    data = bytes.fromhex(message)
    head = pack("<IHH", handle, 0, count) + bytes.fromhex(first) + pack("<HH", 0xB2, len(data))
    return spaced(head + data + bytes.fromhex(tail))


def answered(message: str) -> bytes:
    return enc(0x6F, rr(message), SESSION)


ENCAPSULATION = (
    rule("ENC-01", "NOP has no reply", ENC_STATUS, tcp(enc(0x00, "0102"))),
    rule("ENC-02", "ListServices: TCP and UDP I/O, 'Communications'", LIBRARY, tcp(enc(4), enc(4, SERVICES))),
    rule("ENC-03", "ListIdentity over TCP", "dissector enip.lir", tcp(enc(0x63), enc(0x63, IDENTITY))),
    rule("ENC-04", "ListInterfaces: none", "dissector enip", tcp(enc(0x64), enc(0x64, "0000"))),
    rule(
        "ENC-05",
        "the sender context comes back unchanged",
        "dissector enip.context",
        tcp(enc(4, context="abcdefgh"), enc(4, SERVICES, context="abcdefgh")),
    ),
    rule(
        "ENC-06",
        "RegisterSession gives a handle with the incarnation above",
        LIBRARY,
        tcp(enc(0x65, OWN_VERSION), enc(0x65, OWN_VERSION, SESSION)),
    ),
    rule(
        "ENC-07",
        "a second RegisterSession on a link: status 1, same handle",
        LIBRARY,
        register(),
        tcp(enc(0x65, OWN_VERSION), enc(0x65, OWN_VERSION, SESSION, 1)),
        told("session 0x00770001 already"),
    ),
    rule(
        "ENC-08",
        "RegisterSession of version 2: status 0x69 with the own version",
        LIBRARY,
        tcp(enc(0x65, "0200 0000"), enc(0x65, OWN_VERSION, status=0x69)),
        told("version 2, options 0; expected 1, 0"),
    ),
    rule(
        "ENC-09",
        "RegisterSession with options: status 0x69",
        LIBRARY,
        tcp(enc(0x65, "0100 0100"), enc(0x65, OWN_VERSION, status=0x69)),
    ),
    rule(
        "ENC-10",
        "RegisterSession cut: status 0x65",
        ENC_STATUS,
        tcp(enc(0x65, "0100"), enc(0x65, status=0x65)),
        malformed=True,
    ),
    rule(
        "ENC-11",
        "UnRegisterSession closes the link without a reply",
        LIBRARY,
        register(),
        tcp(enc(0x66, session=SESSION), closed=True),
    ),
    rule(
        "ENC-12",
        "UnRegisterSession of another handle: status 0x64, the link stays",
        ENC_STATUS,
        register(),
        tcp(enc(0x66, session=5), enc(0x66, session=5, status=0x64)),
    ),
    rule(
        "ENC-13",
        "SendRRData before RegisterSession: status 0x64",
        ENC_STATUS,
        tcp(enc(0x6F, rr(GET_NAME)), enc(0x6F, status=0x64)),
        told("expected RegisterSession first"),
    ),
    rule(
        "ENC-14",
        "SendRRData with another handle: status 0x64",
        ENC_STATUS,
        register(),
        tcp(enc(0x6F, rr(GET_NAME), 0x0077_0002), enc(0x6F, session=0x0077_0002, status=0x64)),
        told("expected session 0x00770001"),
    ),
    rule(
        "ENC-15",
        "an unknown command: status 1",
        ENC_STATUS,
        tcp(enc(0x99), enc(0x99, status=1)),
    ),
    rule("ENC-16", "StartDTLS: status 1", CHOICE, tcp(enc(0xC8), enc(0xC8, status=1)), told("no secure")),
    rule("ENC-17", "options other than 0: dropped in silence", LIBRARY, tcp(enc(4, options=1))),
    rule("ENC-18", "a frame that carries a status: dropped in silence", LIBRARY, tcp(enc(4, status=1))),
    rule(
        "ENC-19",
        "a frame in single bytes is one frame",
        "capture",
        tcp(enc(0x65, OWN_VERSION), enc(0x65, OWN_VERSION, SESSION), pieces=1),
    ),
    rule(
        "ENC-20",
        "two frames in one segment are answered in order",
        "capture",
        tcp(enc(4) + enc(0x64), enc(4, SERVICES), enc(0x64, "0000")),
    ),
    rule(
        "ENC-21",
        "a length beyond the limit: status 0x65, the link is closed",
        CHOICE,
        register(),
        tcp(pack("<HHII8sI", 0x6F, 5000, SESSION, 0, b"", 0), enc(0x6F, "", SESSION, 0x65), closed=True),
        told("at most 4096"),
    ),
    rule(
        "ENC-22",
        "a List command with data: status 0x65",
        CHOICE,
        tcp(enc(0x63, "00"), enc(0x63, status=0x65)),
        malformed=True,
    ),
    rule(
        "ENC-23", "ListIdentity over UDP to us alone: at once", LIBRARY, udp(enc(0x63), enc(0x63, IDENTITY))
    ),
    rule(
        "ENC-24",
        "ListIdentity to all, delay 0: not at once, within 2000 ms",
        LIBRARY,
        udp(enc(0x63), to_many=True),
        at(2000),
        sees("answers", "1"),
    ),
    rule(
        "ENC-25",
        "ListIdentity to all, delay 1 ms: taken as 500 ms",
        LIBRARY,
        udp(enc(0x63, context="\x01"), to_many=True),
        at(500),
        sees("answers", "1"),
    ),
    rule("ENC-26", "RegisterSession over UDP: nothing", LIBRARY, udp(enc(0x65, OWN_VERSION))),
    rule("ENC-27", "a datagram shorter than a header: nothing", CHOICE, udp(enc(0x63)[:20]), malformed=True),
    rule(
        "ENC-28",
        "a datagram whose length field is wrong: nothing",
        CHOICE,
        udp(enc(0x63) + b"\0"),
    ),
    rule(
        "ENC-29",
        "an idle session is closed after attribute 13, 120 s",
        "OpENer#117",
        register(),
        at(119_999),
        sees("link A", "open"),
        at(120_000),
        sees("link A", "closed"),
    ),
    rule(
        "ENC-30",
        "a session with a connection is not idle",
        MEMORY,
        opens(granted(ot_us=10_000_000), ot_us=10_000_000, code=7),
        at(121_000),
        sees("link A", "open"),
    ),
    rule(
        "ENC-31",
        "attribute 13 = 0 switches it off",
        LIBRARY,
        ask("10 03 20 F5 24 01 30 0D 00 00", "90 00 00 00"),
        at(4_000_000),
        sees("link A", "open"),
    ),
    rule(
        "ENC-32",
        "a link without RegisterSession is closed after 10 s",
        CHOICE,
        tcp(enc(0x00)),
        at(9_999),
        sees("link A", "open"),
        at(10_000),
        sees("link A", "closed"),
        told("no RegisterSession within 10 s"),
    ),
)
PACKET_ITEMS = (
    rule(
        "CPF-01",
        "null address and unconnected data; the reply has the same two",
        "dissector enip.cpf",
        register(),
        tcp(enc(0x6F, rr(GET_NAME), SESSION), answered(f"8E 00 00 00 {NAME}")),
    ),
    rule(
        "CPF-02",
        "an interface handle other than 0: status 3",
        ENC_STATUS,
        register(),
        tcp(enc(0x6F, rr(GET_NAME, handle=1), SESSION), enc(0x6F, "", SESSION, 3)),
        told("interface handle: expected 0 (CIP), got 1"),
    ),
    rule(
        "CPF-03",
        "one item alone: status 3",
        ENC_STATUS,
        register(),
        tcp(enc(0x6F, "00000000 0000 0100 0000 0000", SESSION), enc(0x6F, "", SESSION, 3)),
    ),
    rule(
        "CPF-04",
        "an item cut off: status 3",
        ENC_STATUS,
        register(),
        tcp(enc(0x6F, "00000000 0000 0200 0000 0000 B200 0900 0E", SESSION), enc(0x6F, "", SESSION, 3)),
        malformed=True,
    ),
    rule(
        "CPF-05",
        "bytes after the last item: status 3",
        CHOICE,
        register(),
        tcp(enc(0x6F, rr(GET_NAME, tail="00"), SESSION), enc(0x6F, "", SESSION, 3)),
    ),
    rule(
        "CPF-06",
        "a connected address in SendRRData: status 3",
        CHOICE,
        register(),
        tcp(enc(0x6F, rr(GET_NAME, first="A100 0400 01000000"), SESSION), enc(0x6F, "", SESSION, 3)),
        told("expected 0x0000 and 0x00B2, got 0x00A1, 0x00B2"),
    ),
    rule(
        "CPF-07",
        "items after the second that mean nothing here are passed over",
        "ethernet-ip#88",
        register(),
        tcp(
            enc(0x6F, rr(GET_NAME, count=4, tail="0380 0000 8600 0000"), SESSION),
            answered(f"8E 00 00 00 {NAME}"),
        ),
    ),
    rule(
        "CPF-08",
        "a message of one byte: status 3",
        ENC_STATUS,
        register(),
        tcp(enc(0x6F, rr("0E"), SESSION), enc(0x6F, "", SESSION, 3)),
        malformed=True,
    ),
    rule(
        "CPF-09",
        "an item count larger than what follows: status 3",
        ENC_STATUS,
        register(),
        tcp(enc(0x6F, rr(GET_NAME, count=3), SESSION), enc(0x6F, "", SESSION, 3)),
        malformed=True,
    ),
    rule(
        "CPF-10",
        "SendUnitData whose items are wrong: no reply",
        CHOICE,
        register(),
        tcp(enc(0x70, rr(GET_NAME), SESSION)),
        told("SendUnitData items: expected 0x00A1 and 0x00B1"),
    ),
)
