"""CIP status codes and their plain words.

Codes as the open Wireshark dissector decodes them (cip.genstat, cip.cm.ext_status).
"""

from __future__ import annotations

from enum import IntEnum


class Status(IntEnum):
    """General status of a Message Router response."""

    OK = 0x00
    CONNECTION_FAILURE = 0x01
    PATH_SEGMENT = 0x04
    PATH_DESTINATION = 0x05
    SERVICE_NOT_SUPPORTED = 0x08
    NOT_ENOUGH_DATA = 0x13
    ATTRIBUTE_NOT_SUPPORTED = 0x14
    TOO_MUCH_DATA = 0x15
    OBJECT_MISSING = 0x16
    KEY_FAILURE = 0x25


class Extended(IntEnum):
    """First extended status word when the general status is a connection failure."""

    DUPLICATE = 0x100
    CLASS_TRIGGER = 0x103
    OWNERSHIP = 0x106
    NOT_FOUND = 0x107
    RPI_NOT_ACCEPTABLE = 0x112
    VENDOR_OR_PRODUCT = 0x114
    DEVICE_TYPE = 0x115
    REVISION = 0x116
    INVALID_POINT = 0x117
    INHIBIT = 0x11B
    OT_TYPE = 0x123
    TO_TYPE = 0x124
    REDUNDANT_OWNER = 0x125
    CONFIGURATION_SIZE = 0x126
    OT_SIZE = 0x127
    TO_SIZE = 0x128
    CONFIGURATION_PATH = 0x129
    COMBINATION = 0x12F
    NULL_OPEN = 0x132
    MULTIPLIER = 0x133
    PARAMETER = 0x205
    INVALID_SEGMENT = 0x315


_GENERAL = {
    0x00: "success",
    0x01: "connection failure",
    0x02: "resource unavailable",
    0x03: "invalid parameter value",
    0x04: "path segment error",
    0x05: "path destination unknown",
    0x06: "partial transfer",
    0x08: "service not supported",
    0x09: "invalid attribute value",
    0x0A: "attribute list error",
    0x0C: "object state conflict",
    0x0E: "attribute not settable",
    0x0F: "privilege violation",
    0x10: "device state conflict",
    0x11: "reply data too large",
    0x13: "not enough data",
    0x14: "attribute not supported",
    0x15: "too much data",
    0x16: "object does not exist",
    0x1E: "embedded service error",
    0x20: "invalid parameter",
    0x25: "key failure in path",
    0x26: "path size invalid",
    0x2C: "attribute not gettable",
}

_EXTENDED = {
    0x100: "connection in use or duplicate forward open",
    0x103: "transport class and trigger combination not supported",
    0x106: "ownership conflict",
    0x107: "target connection not found",
    0x110: "target for connection not configured",
    0x111: "RPI not supported",
    0x112: "RPI value not acceptable",
    0x113: "out of connections",
    0x114: "vendor id or product code mismatch",
    0x115: "device type mismatch",
    0x116: "revision mismatch",
    0x117: "invalid produced or consumed application path",
    0x118: "invalid configuration application path",
    0x119: "listen-only without a controlling connection",
    0x11A: "target object out of connections",
    0x11B: "RPI smaller than the production inhibit time",
    0x11C: "transport class not supported",
    0x11D: "production trigger not supported",
    0x11E: "direction not supported",
    0x123: "invalid O->T connection type",
    0x124: "invalid T->O connection type",
    0x125: "redundant owner not supported",
    0x126: "invalid configuration size",
    0x127: "invalid O->T size",
    0x128: "invalid T->O size",
    0x129: "invalid configuration path",
    0x12A: "invalid consuming path",
    0x12B: "invalid producing path",
    0x12F: "inconsistent application path combination",
    0x132: "null forward open not supported",
    0x133: "timeout multiplier not acceptable",
    0x203: "connection timed out",
    0x204: "unconnected request timed out",
    0x205: "parameter error in unconnected request",
    0x315: "invalid segment in path",
    0x316: "path mismatch in forward close",
}


def describe(status: int, extended: tuple[int, ...] = ()) -> str:
    """A status in words and numbers, e.g. `0x01 connection failure, 0x0127 invalid O->T size, 38`."""
    parts = [f"0x{status:02X} {_GENERAL.get(status, 'unnamed status')}"]
    if extended:
        parts.append(f"0x{extended[0]:04X} {_EXTENDED.get(extended[0], 'unnamed extended status')}")
        parts.extend(str(word) for word in extended[1:])
    return ", ".join(parts)
