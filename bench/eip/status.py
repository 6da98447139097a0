"""CIP status codes and their plain words.

Numbers as the open Wireshark dissector lists them (cip.genstat, cip.cm.ext_status); 0x133 and 0x135 to
0x139 as an open adapter library has them. The codes of safety connections (0x802 to 0x80F) are left out.
"""

from __future__ import annotations

from enum import IntEnum


class Status(IntEnum):
    """General status of a Message Router response."""

    OK = 0x00
    CONNECTION_FAILURE = 0x01
    RESOURCE = 0x02
    PARAMETER_VALUE = 0x03
    PATH_SEGMENT = 0x04
    PATH_DESTINATION = 0x05
    PARTIAL_TRANSFER = 0x06
    CONNECTION_LOST = 0x07
    SERVICE_NOT_SUPPORTED = 0x08
    ATTRIBUTE_VALUE = 0x09
    ATTRIBUTE_LIST = 0x0A
    ALREADY_IN_STATE = 0x0B
    STATE_CONFLICT = 0x0C
    OBJECT_EXISTS = 0x0D
    NOT_SETTABLE = 0x0E
    PRIVILEGE = 0x0F
    DEVICE_STATE_CONFLICT = 0x10
    REPLY_TOO_LARGE = 0x11
    FRAGMENTATION = 0x12
    NOT_ENOUGH_DATA = 0x13
    ATTRIBUTE_NOT_SUPPORTED = 0x14
    TOO_MUCH_DATA = 0x15
    OBJECT_MISSING = 0x16
    REQUEST_TOO_LARGE_TO_ROUTE = 0x1A
    RESPONSE_TOO_LARGE_TO_ROUTE = 0x1B
    EMBEDDED_SERVICE = 0x1E
    PARAMETER = 0x20
    KEY_FAILURE = 0x25
    PATH_SIZE = 0x26
    MEMBER = 0x28
    MEMBER_NOT_SETTABLE = 0x29
    NOT_GETTABLE = 0x2C


class Extended(IntEnum):
    """First extended status word when the general status is a connection failure."""

    DUPLICATE = 0x100
    CLASS_TRIGGER = 0x103
    OWNERSHIP = 0x106
    NOT_FOUND = 0x107
    NETWORK_PARAMETER = 0x108
    CONNECTION_SIZE = 0x109
    NOT_CONFIGURED = 0x110
    RPI_NOT_SUPPORTED = 0x111
    RPI_NOT_ACCEPTABLE = 0x112
    OUT_OF_CONNECTIONS = 0x113
    VENDOR_OR_PRODUCT = 0x114
    DEVICE_TYPE = 0x115
    REVISION = 0x116
    INVALID_POINT = 0x117
    INVALID_CONFIGURATION_POINT = 0x118
    LISTEN_ONLY = 0x119
    TARGET_OUT_OF_CONNECTIONS = 0x11A
    INHIBIT = 0x11B
    CLASS = 0x11C
    TRIGGER = 0x11D
    DIRECTION = 0x11E
    OT_FIXED_VARIABLE = 0x11F
    TO_FIXED_VARIABLE = 0x120
    OT_PRIORITY = 0x121
    TO_PRIORITY = 0x122
    OT_TYPE = 0x123
    TO_TYPE = 0x124
    REDUNDANT_OWNER = 0x125
    CONFIGURATION_SIZE = 0x126
    OT_SIZE = 0x127
    TO_SIZE = 0x128
    CONFIGURATION_PATH = 0x129
    CONSUME_PATH = 0x12A
    PRODUCE_PATH = 0x12B
    COMBINATION = 0x12F
    CONSUME_FORMAT = 0x130
    PRODUCE_FORMAT = 0x131
    NULL_OPEN = 0x132
    MULTIPLIER = 0x133
    MISMATCH_SIZE_TYPE = 0x135
    MISMATCH_PRIORITY = 0x136
    MISMATCH_CLASS = 0x137
    MISMATCH_TRIGGER = 0x138
    MISMATCH_INHIBIT = 0x139
    TIMED_OUT = 0x203
    UNCONNECTED_TIMEOUT = 0x204
    PARAMETER = 0x205
    MESSAGE_TOO_LARGE = 0x206
    NO_BUFFER = 0x301
    NO_BANDWIDTH = 0x302
    PORT = 0x311
    LINK_ADDRESS = 0x312
    INVALID_SEGMENT = 0x315
    CLOSE_PATH = 0x316
    LINK_ADDRESS_TO_SELF = 0x318
    MISCELLANEOUS = 0x31C
    LINK_OFFLINE = 0x800
    NO_TARGET_DATA = 0x810
    NO_ORIGINATOR_DATA = 0x811
    OFF_SUBNET = 0x813


_GENERAL = {
    0x00: "success",
    0x01: "connection failure",
    0x02: "resource unavailable",
    0x03: "invalid parameter value",
    0x04: "path segment error",
    0x05: "path destination unknown",
    0x06: "partial transfer",
    0x07: "connection lost",
    0x08: "service not supported",
    0x09: "invalid attribute value",
    0x0A: "attribute list error",
    0x0B: "already in the state asked for",
    0x0C: "object state conflict",
    0x0D: "object already exists",
    0x0E: "attribute not settable",
    0x0F: "privilege violation",
    0x10: "device state conflict",
    0x11: "reply data too large",
    0x12: "a primitive value would be split",
    0x13: "not enough data",
    0x14: "attribute not supported",
    0x15: "too much data",
    0x16: "object does not exist",
    0x17: "no fragmented service in progress",
    0x18: "no stored attribute data",
    0x19: "attribute data could not be stored",
    0x1A: "request too large to be routed",
    0x1B: "response too large to be routed",
    0x1C: "data missing for an attribute of the list",
    0x1D: "invalid values in the attribute list",
    0x1E: "embedded service error",
    0x1F: "error the vendor defines",
    0x20: "invalid parameter",
    0x21: "value or medium was already written once",
    0x22: "invalid reply received",
    0x23: "buffer overflow",
    0x24: "invalid message format",
    0x25: "key failure in path",
    0x26: "path size invalid",
    0x27: "unexpected attribute in list",
    0x28: "invalid member number",
    0x29: "member not settable",
    0x2A: "general failure of a group 2 server",
    0x2B: "unknown error behind a gateway",
    0x2C: "attribute not gettable",
}

_EXTENDED = {
    0x100: "connection in use or duplicate forward open",
    0x103: "transport class and trigger combination not supported",
    0x106: "ownership conflict",
    0x107: "target connection not found",
    0x108: "invalid network connection parameter",
    0x109: "invalid connection size",
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
    0x11F: "O->T size must be of the other kind, fixed or variable",
    0x120: "T->O size must be of the other kind, fixed or variable",
    0x121: "invalid O->T priority",
    0x122: "invalid T->O priority",
    0x123: "invalid O->T connection type",
    0x124: "invalid T->O connection type",
    0x125: "redundant owner not supported",
    0x126: "invalid configuration size",
    0x127: "invalid O->T size",
    0x128: "invalid T->O size",
    0x129: "invalid configuration path",
    0x12A: "invalid consuming path",
    0x12B: "invalid producing path",
    0x12C: "no such configuration symbol",
    0x12D: "no such consuming symbol",
    0x12E: "no such producing symbol",
    0x12F: "inconsistent application path combination",
    0x130: "inconsistent format of the consumed data",
    0x131: "inconsistent format of the produced data",
    0x132: "null forward open not supported",
    0x133: "timeout multiplier not acceptable",
    0x135: "size type differs from the running multicast producer",
    0x136: "priority differs from the running multicast producer",
    0x137: "transport class differs from the running multicast producer",
    0x138: "production trigger differs from the running multicast producer",
    0x139: "production inhibit time differs from the running multicast producer",
    0x203: "connection timed out",
    0x204: "unconnected request timed out",
    0x205: "parameter error in unconnected request",
    0x206: "message too large for an unconnected send",
    0x207: "unconnected request acknowledged, but never answered",
    0x301: "no buffer memory",
    0x302: "no network bandwidth left for data",
    0x303: "no filter left for a consumed connection id",
    0x304: "not set up to send scheduled priority data",
    0x305: "schedule signature mismatch",
    0x306: "schedule signature cannot be checked",
    0x311: "port not available",
    0x312: "link address not valid",
    0x315: "invalid segment in path",
    0x316: "path mismatch in forward close",
    0x317: "no scheduling specified",
    0x318: "link address names the sender itself",
    0x319: "secondary resources unavailable",
    0x31A: "rack connection already established",
    0x31B: "module connection already established",
    0x31C: "miscellaneous failure",
    0x31D: "redundant connection mismatch",
    0x31E: "no consumer resource left in the producing module",
    0x31F: "no consumer resource set up in the producing module",
    0x800: "network link offline",
    0x801: "RPI does not fit the multicast producer",
    0x810: "target application has no data",
    0x811: "originator application has no data",
    0x812: "node address changed since the network was scheduled",
    0x813: "not set up for multicast beyond the subnet",
    0x814: "invalid format of the produced or consumed data",
}


def describe(status: int, extended: tuple[int, ...] = ()) -> str:
    """A status in words and numbers, e.g. `0x01 connection failure, 0x0127 invalid O->T size, 38`."""
    parts = [f"0x{status:02X} {_GENERAL.get(status, 'unnamed status')}"]
    if extended:
        parts.append(f"0x{extended[0]:04X} {_EXTENDED.get(extended[0], 'unnamed extended status')}")
        parts.extend(str(word) for word in extended[1:])
    return ", ".join(parts)
