"""The embedded controller: one program on a cyclic task, its variables mapped to the images by tag.

A program variable stands for a point when its name is the point's tag (letter case does not count, as in
IEC 61131-3) or when it has a direct address: `%IX1.2` is byte 1 bit 2 of the input image, `%QX0.4`
byte 0 bit 4 of the output image. `AdapterOnline`, a BOOL input, is TRUE while the connection to the
adapter is open. After a lost connection every input reads FALSE: an old picture of the machine must not
look like the present one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from bench.errors import Mistake, WrongFiles
from bench.logic import Instance, Program, Variable
from bench.station import Layout, PointPlace

ONLINE = "AdapterOnline"
LOOPS_PER_MS = 1_000  # loop passes a scan may take per ms of its period: a fixed speed, so that runs agree
_ADDRESS = re.compile(r"%([IQ])X?(\d+)\.(\d+)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Mapped:
    """One variable and its bit."""

    variable: Variable
    byte: int
    mask: int
    is_input: bool


class Controller:
    """Runs *program* against images of *layout*.

    Args:
        program: the compiled program.
        layout: where each tag stands.
        scan_ns: period of the cyclic task.

    Raises:
        WrongFiles: the program and the points do not fit together.
    """

    def __init__(self, program: Program, layout: Layout, scan_ns: int) -> None:
        self.program = program
        self.scan_ns = scan_ns
        self.mapped, self.warnings = map_variables(program, layout)
        self.instance: Instance = program.instance(loop_limit=max(1, scan_ns * LOOPS_PER_MS // 1_000_000))
        self._outputs = bytearray(layout.output_size)
        self._readers: list[tuple[int, int, Callable[[bool], None]]] = []
        self._writers: list[tuple[int, int, Callable[[], object]]] = []
        self._bind()

    def _bind(self) -> None:
        for item in self.mapped:
            name = item.variable.name
            if item.is_input:
                self._readers.append((item.byte, item.mask, self.instance.setter(name)))
            else:
                self._writers.append((item.byte, item.mask, self.instance.getter(name)))
        online = _online(self.program)
        self._set_online = None if online is None else self.instance.setter(online.name)

    def scan(self, inputs: bytes, online: bool, now_ns: int) -> bytes:
        """One scan: inputs in, the program once, outputs out.

        Raises:
            LogicFault: the program stopped; the outputs of this scan are not written.
        """
        for byte, mask, put in self._readers:
            put(online and bool(inputs[byte] & mask))
        if self._set_online is not None:
            self._set_online(online)
        self.instance.scan(now_ns)
        outputs = self._outputs
        for byte, mask, get in self._writers:
            if get():
                outputs[byte] |= mask
            else:
                outputs[byte] &= ~mask
        return bytes(outputs)


def map_variables(program: Program, layout: Layout) -> tuple[tuple[Mapped, ...], tuple[Mistake, ...]]:
    """Every variable that stands for a point, and warnings about outputs that nothing drives.

    Raises:
        WrongFiles: a variable of the wrong type or direction, or two on one output.
    """
    found = [(v, place) for v in program.variables.values() if (place := _place(v, layout)) is not None]
    mistakes = [m for variable, place in found for m in _misfits(program, variable, place)]
    mistakes += _doubles(program, found)
    mistakes += _astray(program, layout)
    online = _online(program)
    if online is not None and online.type != "BOOL":
        sentence = f"tells whether the adapter is connected, so it must be a BOOL, not {online.type}"
        mistakes.append(Mistake(program.file, online.line, online.column, online.name, sentence))
    if mistakes:
        raise WrongFiles(mistakes)
    mapped = tuple(Mapped(v, p.byte, 1 << p.bit, p.direction == "in") for v, p in found)
    return mapped, tuple(_unmapped(program, layout, found))


def _online(program: Program) -> Variable | None:
    return next((v for v in program.variables.values() if v.name.casefold() == ONLINE.casefold()), None)


def _place(variable: Variable, layout: Layout) -> PointPlace | None:
    if not variable.address:
        return layout.find(variable.name)
    match = _ADDRESS.match(variable.address)
    if match is None:
        return None
    side, byte, bit = match[1].upper(), int(match[2]), int(match[3])
    places = layout.inputs if side == "I" else layout.outputs
    return next((p for p in places if (p.byte, p.bit) == (byte, bit)), None)


def _misfits(program: Program, variable: Variable, place: PointPlace) -> Iterator[Mistake]:
    def mistake(sentence: str) -> Mistake:
        return Mistake(program.file, variable.line, variable.column, variable.name, sentence)

    if variable.type != "BOOL":
        yield mistake(f"stands for the point {place.tag}, so it must be a BOOL, not {variable.type}")
    if place.direction == "in" and variable.section == "VAR_OUTPUT":
        yield mistake(f"{place.tag} is an input point; declare it in VAR_INPUT")
    if place.direction == "out" and variable.section == "VAR_INPUT":
        yield mistake(f"{place.tag} is an output point; declare it in VAR_OUTPUT")


def _astray(program: Program, layout: Layout) -> Iterator[Mistake]:
    for variable in program.variables.values():
        match = _ADDRESS.match(variable.address or "")
        if match is None:
            continue
        side, size = ("input", layout.input_size) if match[1] in "Ii" else ("output", layout.output_size)
        if int(match[2]) >= size or int(match[3]) > 7:
            sentence = f"{variable.address} is outside the {side} image: bytes 0 to {size - 1}, bits 0 to 7"
            yield Mistake(program.file, variable.line, variable.column, variable.name, sentence)


def _doubles(program: Program, found: list[tuple[Variable, PointPlace]]) -> Iterator[Mistake]:
    owners: dict[str, str] = {}
    for variable, place in found:
        if place.direction == "out" and place.tag in owners:
            sentence = f"the point {place.tag} is already written by {owners[place.tag]}"
            yield Mistake(program.file, variable.line, variable.column, variable.name, sentence)
        owners.setdefault(place.tag, variable.name)


def _unmapped(
    program: Program, layout: Layout, found: list[tuple[Variable, PointPlace]]
) -> Iterator[Mistake]:
    driven = {place.tag for _, place in found}
    for place in layout.outputs:
        if place.tagged and place.tag not in driven:
            yield Mistake(program.file, 1, 1, place.tag, "no variable drives this output point", warning=True)
    mapped = {variable.name for variable, _ in found}
    for variable in program.variables.values():
        if variable.name in mapped or variable.name.casefold() == ONLINE.casefold():
            continue
        if variable.address:
            sentence = f"no point stands at {variable.address}"
        elif variable.section == "VAR_OUTPUT":
            sentence = "no point has this tag, so this output goes nowhere"
        elif variable.section == "VAR_INPUT":
            sentence = "no point has this tag, so this input never changes"
        else:
            continue
        yield Mistake(program.file, variable.line, variable.column, variable.name, sentence, warning=True)
