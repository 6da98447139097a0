"""What `Param` and `Assem` references stand for: numbers, packet intervals, sizes, first images.

Fields of a parameter in order, as in open EDS files: reserved, link path size, link path, descriptor,
data type, data size in bytes, name, units, help, minimum, maximum, default. Of an assembly: name, path,
size in bytes, descriptor, two reserved, then pairs of member size in bits and member.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bench.eds.document import Eds, Entry, Field, FieldKind
from bench.eds.mistakes import Mistakes, hint, shown

MOST_US = 0xFFFF_FFFF  # a packet interval is a UDINT of microseconds
MOST_BYTES = 0xFFFF
_FIRST_MEMBER = 6
_DEEPEST = 8  # assemblies in assemblies
_MOST_BITS_IN_ALL = 8 * 16_000_000  # of all assemblies together: memory is the reader's, not the file's
_PARAM = re.compile(r"(?:Proxy)?Param[0-9]+", re.ASCII)
_ASSEMBLY = re.compile(r"Assem[0-9]+", re.ASCII)


@dataclass(frozen=True, slots=True)
class RpiRange:
    """Packet intervals a direction takes, in microseconds."""

    minimum_us: int = 1
    maximum_us: int = MOST_US
    default_us: int | None = None

    @property
    def start_us(self) -> int:
        """What a tool offers first: the default, else the minimum."""
        return self.minimum_us if self.default_us is None else self.default_us


@dataclass(frozen=True, slots=True)
class _Image:
    """An assembly resolved: size in bits and its first value."""

    bits: int = 0
    value: int = 0


class References:
    """Follows references inside one file; every mistake goes to `mistakes`, once for each place."""

    def __init__(self, eds: Eds, mistakes: Mistakes) -> None:
        self._params = eds.entries("Params")
        self._assemblies = eds.entries("Assembly")
        self._mistakes = mistakes
        self._images: dict[str, _Image] = {}
        self._following: list[str] = []
        self._bits_left = _MOST_BITS_IN_ALL

    def number(self, field: Field, path: str, name: str, most: int) -> int | None:
        """A number, or a parameter's default; None (and a mistake) for anything else."""
        if _PARAM.fullmatch(field.text) and field.kind is FieldKind.WORD:
            param = self._find(field, path, "Params")
            field = param.at(11) if param else field
            if param is None:
                return None
        value = field.number
        if value is None or value > most:
            self._wrong(field, path, f"{name}: expected 0 to {most} or a Param, got {shown(field.text)}")
            return None
        return value

    def rpi(self, field: Field, path: str, name: str) -> RpiRange:
        """A parameter's range; a number is that interval alone; an empty field is any interval."""
        if field.empty:
            return RpiRange()
        if field.kind is FieldKind.WORD and _PARAM.fullmatch(field.text):
            param = self._find(field, path, "Params")
            return self._param_range(param) if param else RpiRange()
        fixed = self.number(field, path, f"{name} packet interval in us", MOST_US)
        return RpiRange(fixed, fixed, fixed) if fixed else RpiRange()

    def _param_range(self, param: Entry) -> RpiRange:
        path = f"Params.{param.keyword}"
        given = [
            None if param.at(index).empty else self.number(param.at(index), path, name, MOST_US)
            for index, name in ((9, "minimum"), (10, "maximum"), (11, "default"))
        ]
        low, high, default = given[0] or 1, given[1] or MOST_US, given[2]
        if low > high or (default is not None and not low <= default <= high):
            self._wrong(
                param.at(9), path, f"minimum {low}, maximum {high}, default {default}: expected them in order"
            )
            return RpiRange()
        return RpiRange(low, high, default)

    def assembly_size(self, field: Field, path: str) -> int | None:
        """Bytes of the assembly or parameter named; None where the field is empty or wrong."""
        if field.empty:
            return None
        if field.kind is FieldKind.WORD and _PARAM.fullmatch(field.text):
            param = self._find(field, path, "Params")
            return self._param_size(param) if param else None
        entry = self._assembly(field, path)
        return (self._image(entry).bits + 7) // 8 if entry else None

    def image(self, field: Field, path: str) -> bytes:
        """The first value of the assembly named, made of its members' defaults."""
        if field.empty or not _ASSEMBLY.fullmatch(field.text):
            return b""
        entry = self._assemblies.get(field.text)  # a dangling one is reported by its size
        image = self._image(entry) if entry else _Image()
        return image.value.to_bytes((image.bits + 7) // 8, "little")

    def default_bytes(self, field: Field, path: str) -> bytes:
        """A parameter's default in as many bytes as its data has, for a place in a path."""
        param = self._find(field, path, "Params")
        if param is None:
            return b""
        size = self._param_size(param)
        value = self.number(param.at(11), f"Params.{param.keyword}", "default", (1 << 8 * min(size, 4)) - 1)
        return (value or 0).to_bytes(min(size, 4), "little")

    def _param_size(self, param: Entry) -> int:
        return self.number(param.at(5), f"Params.{param.keyword}", "data size", MOST_BYTES) or 0

    def _assembly(self, field: Field, path: str) -> Entry | None:
        if field.kind is not FieldKind.WORD or not _ASSEMBLY.fullmatch(field.text):
            self._wrong(field, path, f"expected an Assem or nothing, got {shown(field.text)}")
            return None
        return self._find(field, path, "Assembly")

    def _find(self, field: Field, path: str, section: str) -> Entry | None:
        entries = self._params if section == "Params" else self._assemblies
        entry = entries.get(field.text)
        if entry is None:
            near = hint(field.text, entries)
            self._wrong(field, path, f"[{section}] has no {shown(field.text)}{near}")
        return entry

    def _wrong(self, field: Field, path: str, sentence: str) -> None:
        self._mistakes.add(field.line, field.column, path, sentence)

    def _image(self, entry: Entry) -> _Image:
        """Each assembly is resolved once, so that a file of references into references stays cheap."""
        known = self._images.get(entry.keyword)
        if known is not None:
            return known
        self._following.append(entry.keyword)
        image = self._resolve(entry)
        self._following.pop()
        self._images[entry.keyword] = image
        return image

    def _resolve(self, entry: Entry) -> _Image:
        path = f"Assembly.{entry.keyword}"
        parts: list[tuple[int, int]] = []  # where a member starts, its value
        bits = 0
        for index in range(_FIRST_MEMBER, len(entry.fields), 2):
            if entry.at(index).empty and entry.at(index + 1).empty:
                continue  # a comma too many at the end is common
            size, value = self._member(entry.at(index), entry.at(index + 1), path)
            parts.append((bits, value))
            bits += size
            if bits > 8 * MOST_BYTES:
                self._wrong(entry.at(index), path, f"more than {MOST_BYTES} bytes of members")
                return _Image()
        self._bits_left -= bits
        if self._bits_left < 0:
            self._wrong(
                entry.at(2), path, f"all assemblies together are above {_MOST_BITS_IN_ALL // 8} bytes"
            )
            return _Image()
        image = bytearray(bits // 8 + 8 if parts else 0)
        for start, value in parts:
            _or_into(image, start, value)
        return self._sized(entry, path, bits, int.from_bytes(image[: (bits + 7) // 8], "little"))

    def _sized(self, entry: Entry, path: str, bits: int, value: int) -> _Image:
        """The size written must be that of the members, where there are any."""
        if entry.at(2).empty:
            return _Image(bits, value)
        size = self.number(entry.at(2), path, "size in bytes", MOST_BYTES)
        if size is None:
            return _Image(bits, value)
        whole = (bits + 7) // 8
        if bits and size != whole:
            self._wrong(
                entry.at(2), path, f"{size} bytes, but the members add up to {bits} bits; expected {whole}"
            )
        return _Image(8 * size, value & (1 << 8 * size) - 1)

    def _member(self, size_field: Field, member: Field, path: str) -> tuple[int, int]:
        value, own_bits = 0, 0
        if not member.empty and member.kind is FieldKind.WORD:
            own_bits, value = self._referred(member, path)
        if size_field.empty:
            return own_bits, value & (1 << own_bits) - 1
        size = self.number(size_field, path, "member size in bits", 0xFFFF) or 0
        return size, value & (1 << size) - 1

    def _referred(self, member: Field, path: str) -> tuple[int, int]:
        """Bits and first value of a member: a number, a parameter or another assembly."""
        if _ASSEMBLY.fullmatch(member.text):
            entry = self._find(member, path, "Assembly")
            if entry is None:
                return 0, 0
            if entry.keyword in self._following or len(self._following) >= _DEEPEST:
                self._wrong(
                    member, path, f"{entry.keyword} goes in circles, or deeper than {_DEEPEST} assemblies"
                )
                return 0, 0
            image = self._image(entry)
            return image.bits, image.value
        if _PARAM.fullmatch(member.text):
            param = self._find(member, path, "Params")
            if param is None:
                return 0, 0
            return 8 * self._param_size(param), param.at(11).number or 0
        number = self.number(member, path, "member", 0xFFFF_FFFF)
        return 0, number or 0


def _or_into(image: bytearray, start: int, value: int) -> None:
    """Set *value*'s bits from bit *start*; the caller has bounded both."""
    if value:
        first, shift = divmod(start, 8)
        raw = (value << shift).to_bytes((value.bit_length() + shift + 7) // 8, "little")
        for offset, byte in enumerate(raw):
            image[first + offset] |= byte
