"""The other standard function blocks, and the table from which the compiler knows their pins.

IEC 61131-3 ed. 3: table 43 (bistable), table 44 (edge detection), table 45 (counters).
"""

from __future__ import annotations

from dataclasses import dataclass

from bench.logic.timers import TOF, TON, TP

_PV_MAX = 32_767  # CTU and CTD count in INT
_PV_MIN = -32_768


class SR:
    """Bistable, set dominant: Q1 := S1 OR (NOT R AND Q1)."""

    __slots__ = ("Q1", "R", "S1")

    def __init__(self) -> None:
        self.S1 = self.R = self.Q1 = False

    def step(self, now_ns: int, S1: bool, R: bool) -> None:
        self.S1 = S1
        self.R = R
        self.Q1 = S1 or (not R and self.Q1)


class RS:
    """Bistable, reset dominant: Q1 := NOT R1 AND (S OR Q1)."""

    __slots__ = ("Q1", "R1", "S")

    def __init__(self) -> None:
        self.S = self.R1 = self.Q1 = False

    def step(self, now_ns: int, S: bool, R1: bool) -> None:
        self.S = S
        self.R1 = R1
        self.Q1 = not R1 and (S or self.Q1)


class R_TRIG:
    """Rising edge: Q := CLK AND NOT M; M := CLK. CLK TRUE at the first call is an edge."""

    __slots__ = ("CLK", "Q", "_memory")

    def __init__(self) -> None:
        self.CLK = self.Q = self._memory = False

    def step(self, now_ns: int, CLK: bool) -> None:
        self.CLK = CLK
        self.Q = CLK and not self._memory
        self._memory = CLK


class F_TRIG:
    """Falling edge: Q := NOT CLK AND NOT M; M := NOT CLK, with M FALSE at first.

    As the standard's text has it, CLK FALSE at the first call gives Q TRUE for that call. Some
    controllers differ; a program that must not care calls the block once before it reads Q.
    """

    __slots__ = ("CLK", "Q", "_memory")

    def __init__(self) -> None:
        self.CLK = self.Q = self._memory = False

    def step(self, now_ns: int, CLK: bool) -> None:
        self.CLK = CLK
        self.Q = not CLK and not self._memory
        self._memory = not CLK


class CTU:
    """Up counter: R sets CV to 0, else a rise of CU counts up to 32767; Q := CV >= PV."""

    __slots__ = ("CU", "CV", "PV", "Q", "R", "_memory")

    def __init__(self) -> None:
        self.CU = self.R = self.Q = self._memory = False
        self.PV = self.CV = 0

    def step(self, now_ns: int, CU: bool, R: bool, PV: int) -> None:
        rises = CU and not self._memory
        self._memory = self.CU = CU
        self.R = R
        self.PV = PV
        if R:
            self.CV = 0
        elif rises and self.CV < _PV_MAX:
            self.CV += 1
        self.Q = self.CV >= PV


class CTD:
    """Down counter: LD loads PV, else a rise of CD counts down to -32768; Q := CV <= 0."""

    __slots__ = ("CD", "CV", "LD", "PV", "Q", "_memory")

    def __init__(self) -> None:
        self.CD = self.LD = self.Q = self._memory = False
        self.PV = self.CV = 0

    def step(self, now_ns: int, CD: bool, LD: bool, PV: int) -> None:
        rises = CD and not self._memory
        self._memory = self.CD = CD
        self.LD = LD
        self.PV = PV
        if LD:
            self.CV = PV
        elif rises and self.CV > _PV_MIN:
            self.CV -= 1
        self.Q = self.CV <= 0


@dataclass(frozen=True, slots=True)
class Pin:
    """One input or output of a block: its name, type and the attribute that holds it."""

    name: str
    type: str
    attribute: str
    section: str = "VAR_INPUT"
    block: BlockType | None = None


@dataclass(frozen=True, slots=True)
class BlockType:
    """What the compiler must know of a function block.

    `maker` is the name of the class in generated code; `standard` blocks take their inputs as
    arguments, blocks of the file read them from their attributes. `pins` is keyed in upper case and
    in declared order; a block of the file lists its inner variables there too.
    """

    name: str
    maker: str
    pins: dict[str, Pin]
    standard: bool

    @property
    def inputs(self) -> tuple[Pin, ...]:
        return tuple(pin for pin in self.pins.values() if pin.section == "VAR_INPUT")

    @property
    def outputs(self) -> tuple[Pin, ...]:
        return tuple(pin for pin in self.pins.values() if pin.section == "VAR_OUTPUT")


def _standard(name: str, inputs: str, outputs: str) -> BlockType:
    pins = {}
    for text, section in ((inputs, "VAR_INPUT"), (outputs, "VAR_OUTPUT")):
        for pin in text.split():
            pin_name, pin_type = pin.split(":")
            pins[pin_name] = Pin(pin_name, pin_type, pin_name, section)
    return BlockType(name, name, pins, standard=True)


STANDARD_BLOCKS = {
    block.name: block
    for block in (
        _standard("TON", "IN:BOOL PT:TIME", "Q:BOOL ET:TIME"),
        _standard("TOF", "IN:BOOL PT:TIME", "Q:BOOL ET:TIME"),
        _standard("TP", "IN:BOOL PT:TIME", "Q:BOOL ET:TIME"),
        _standard("SR", "S1:BOOL R:BOOL", "Q1:BOOL"),
        _standard("RS", "S:BOOL R1:BOOL", "Q1:BOOL"),
        _standard("R_TRIG", "CLK:BOOL", "Q:BOOL"),
        _standard("F_TRIG", "CLK:BOOL", "Q:BOOL"),
        _standard("CTU", "CU:BOOL R:BOOL PV:INT", "Q:BOOL CV:INT"),
        _standard("CTD", "CD:BOOL LD:BOOL PV:INT", "Q:BOOL CV:INT"),
    )
}
BLOCK_CLASSES: dict[str, type] = {
    cls.__name__: cls for cls in (TON, TOF, TP, SR, RS, R_TRIG, F_TRIG, CTU, CTD)
}
