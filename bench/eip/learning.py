"""How an originator that was told no sizes finds them: it asks the Assembly object, then believes refusals.

Attributes 3 (data) and 4 (size in bytes) of the Assembly object as the open Wireshark dissector names
them (packet-cip.c). Not every target answers, and some grant any size; a size refusal has the last word.
"""

from __future__ import annotations

from dataclasses import replace

from bench.eip.cyclic import Dress
from bench.eip.epath import Kind, Logical, encode_path
from bench.eip.message import ClassId, Response, Service, encode_request
from bench.eip.originator import MOST_BYTES, ScannerConfig
from bench.eip.status import Extended

_DATA, _SIZE = 3, 4


class SizeLearner:
    """Questions to ask before the Forward Open, and what answers and refusals tell.

    Each question is asked once, so a target that leaves one unanswered is opened at the next try.

    Attributes:
        told: by direction, "input" or "output", a sentence about the size that was learned.
    """

    def __init__(self, config: ScannerConfig) -> None:
        self.told: dict[str, str] = {}
        self._corrected: set[str] = set()
        self._asked: tuple[str, int, int] = ("", 0, 0)
        self._questions: list[tuple[str, int, int]] = []
        if "input" in config.learn_sizes:
            self._questions.append(("input", config.input_assembly, _SIZE))
        if "output" in config.learn_sizes and not config.kind.heartbeat:
            self._questions.append(("output", config.output_assembly, _SIZE))

    def request(self) -> bytes | None:
        """The next Get_Attribute_Single, None when there is nothing more to ask."""
        if not self._questions:
            return None
        self._asked = _, assembly, attribute = self._questions.pop(0)
        path = (
            Logical(Kind.CLASS, ClassId.ASSEMBLY),
            Logical(Kind.INSTANCE, assembly),
            Logical(Kind.ATTRIBUTE, attribute),
        )
        return encode_request(Service.GET_ATTRIBUTE_SINGLE, encode_path(path))

    def answer(self, config: ScannerConfig, response: Response) -> ScannerConfig:
        """The configuration after the answer to the last request; a refused size leads to the data."""
        direction, assembly, attribute = self._asked
        data = response.data
        if response.status or (attribute == _SIZE and len(data) != 2):
            if attribute == _SIZE:
                self._questions.insert(0, (direction, assembly, _DATA))
            return config
        size = int.from_bytes(data, "little") if attribute == _SIZE else len(data)
        if size > MOST_BYTES:  # no Forward Open could carry it
            return config
        self.told[direction] = f"{direction} assembly {assembly} has {size} bytes, it says itself"
        return _with(config, direction, size)

    def refusal(self, config: ScannerConfig, extended: tuple[int, ...]) -> ScannerConfig | None:
        """The configuration with the size that a refusal names; None when there is nothing new to try.

        Once for each direction, as a target may never be content.
        """
        if len(extended) < 2:
            return None
        dress: Dress
        if extended[0] == Extended.OT_SIZE and not config.kind.heartbeat:
            direction, assembly, dress = "output", config.output_assembly, config.ot_dress
        elif extended[0] == Extended.TO_SIZE:
            direction, assembly, dress = "input", config.input_assembly, config.to_dress
        else:
            return None
        size = extended[1] - dress.overhead
        if not 0 <= size <= MOST_BYTES or direction in self._corrected:
            return None
        if direction not in config.learn_sizes:  # it was said on purpose
            return None
        self._corrected.add(direction)
        expects = f"the target expects {dress.sum_text(size)}"
        self.told[direction] = f"{direction} assembly {assembly} has {size} bytes: {expects}"
        return _with(config, direction, size)


def _with(config: ScannerConfig, direction: str, size: int) -> ScannerConfig:
    if direction == "output":
        return replace(config, output_size=size)
    return replace(config, input_size=size)
