"""Ask any adapter who it is, with a library that is not ours, so that the answer is independent."""

from __future__ import annotations

from dataclasses import dataclass

from bench.errors import MachineError, RemoteError


@dataclass(frozen=True, slots=True)
class ProbeAnswer:
    """What List Identity and the Identity object said; `fields` in the order to show."""

    host: str
    list_identity: tuple[tuple[str, str], ...]
    identity: tuple[tuple[str, str], ...]


def probe(host: str) -> ProbeAnswer:
    """List Identity and Get_Attributes_All of the Identity object of the adapter at *host*.

    Raises:
        MachineError: nobody answers there.
        RemoteError: somebody answers, but not as an adapter does.
    """
    from pycomm3 import CIPDriver, ClassCode, Services  # slow to import; only this command needs it
    from pycomm3.exceptions import CommError, PycommError

    try:
        listed = CIPDriver.list_identity(host)
        if not listed:
            raise RemoteError("ListIdentity reply", "an identity item", "none")
        with CIPDriver(host) as driver:
            reply = driver.generic_message(
                service=Services.get_attributes_all,
                class_code=ClassCode.identity_object,
                instance=1,
                connected=False,
                unconnected_send=False,
                name="identity",
            )
    except (CommError, OSError) as error:
        raise MachineError(
            f"List Identity at {host}",
            str(error),
            "check the address, the cable and the firewall (TCP 44818)",
        ) from error
    except PycommError as error:
        raise RemoteError("reply", "a well-formed one", str(error)) from error
    if reply.error:
        raise RemoteError("Get_Attributes_All of Identity", "success", str(reply.error))
    return ProbeAnswer(host, tuple(_shown(listed)), tuple(identity_fields(bytes(reply.value))))


def _shown(listed: dict[str, object]) -> list[tuple[str, str]]:
    return [(key.replace("_", " "), _word(value)) for key, value in listed.items() if key != "vendor"]


def _word(value: object) -> str:
    if isinstance(value, dict):
        return ".".join(str(part) for part in value.values())
    return value.hex(" ") if isinstance(value, bytes) else str(value)


def identity_fields(data: bytes) -> list[tuple[str, str]]:
    """Attributes 1 to 7 of an Identity object: u16 x3, revision u8 x2, status u16, serial u32, name.

    Raises:
        RemoteError: too short.
    """
    if len(data) < 15 or len(data) < 15 + data[14]:
        raise RemoteError("Identity attributes", "at least 15 bytes and the name", f"{len(data)} bytes")
    number = int.from_bytes
    return [
        ("vendor ID", str(number(data[0:2], "little"))),
        ("device type", str(number(data[2:4], "little"))),
        ("product code", str(number(data[4:6], "little"))),
        ("revision", f"{data[6]}.{data[7]}"),
        ("status word", f"0x{number(data[8:10], 'little'):04X}"),
        ("serial number", f"0x{number(data[10:14], 'little'):08X}"),
        ("product name", data[15 : 15 + data[14]].decode("ascii", "replace")),
    ]
