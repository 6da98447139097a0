"""The cyclic data of one open connection, as its originator sees it: what goes out, what comes in."""

from __future__ import annotations

from bench.eip.config import OutputFormat
from bench.eip.cyclic import IDLE, RUN, Consumer, Producer
from bench.eip.forward_open import OpenReply
from bench.eip.originator import Route, ScannerConfig, Trigger
from bench.eip.transport import Address, SendUdp
from bench.errors import RemoteError


def output_body(config: ScannerConfig, run: bool, outputs: bytes) -> bytes:
    """Run/idle header and data; a heartbeat, like a zero-length idle, is empty."""
    if config.kind.heartbeat:
        return b""
    if config.output_format is OutputFormat.ZERO_LENGTH:
        return outputs if run else b""
    return (RUN if run else IDLE) + outputs


_SLOWEST = 10  # a granted T->O API this many times the RPI would stretch our own watchdog as far


class Exchange:
    """Frames of both directions between the Forward Open's answer and the end of the connection.

    Attributes:
        group: the multicast group and port T->O frames come from, None for point to point.

    Raises:
        RemoteError: a packet interval of 0, or an O->T one of less than half the RPI.
    """

    def __init__(
        self, config: ScannerConfig, reply: OpenReply, route: Route, body: bytes, now_ns: int
    ) -> None:
        if not (reply.ot_api_us and reply.to_api_us):
            raise RemoteError("API", "more than 0 us", f"{reply.ot_api_us} us and {reply.to_api_us} us")
        if 2000 * reply.ot_api_us < config.rpi_ns:  # it would have us flood it
            raise RemoteError(
                "O->T API", f"about the RPI, {config.rpi_ns // 1000} us", f"{reply.ot_api_us} us"
            )
        if 1000 * reply.to_api_us > _SLOWEST * config.to_api_asked_ns:  # silence would not be noticed
            asked_us = config.to_api_asked_ns // 1000
            raise RemoteError("T->O API", f"about the RPI, {asked_us} us", f"{reply.to_api_us} us")
        self.ot_api_ns, self.to_api_ns = reply.ot_api_us * 1000, reply.to_api_us * 1000
        self.group = route.group
        self.consumer = Consumer(self.to_api_ns * config.multiplier, now_ns)
        self.producer = Producer(
            reply.ot_id,
            self.ot_api_ns,
            now_ns,
            body,
            counted=config.ot_dress.counted,
            on_change=config.trigger is not Trigger.CYCLIC,
            inhibit_ns=config.ot_inhibit_ns,
        )
        self._to_id = reply.to_id
        self._host = config.target[0]
        self._own_port = config.io_port
        self._ot_peer: Address = route.ot_peer
        self._dscp = config.dscp
        self._dress = config.to_dress
        self.counted = config.to_dress.counted
        self._input_size = config.input_size
        self._payload_size = config.input_size + self._dress.overhead

    @property
    def due_ns(self) -> int:
        """When the next frame is to be sent or the watchdog bites."""
        return min(self.producer.due_ns, self.consumer.deadline_ns)

    def listens_on(self, port: int) -> bool:
        return port == self._own_port or (self.group is not None and port == self.group[1])

    def next_frame(self, now_ns: int, late_ns: int) -> SendUdp:
        """The O->T frame that is due."""
        frame = self.producer.take_frame(now_ns, late_ns)
        return SendUdp(self._own_port, self._ot_peer, frame, self._dscp)

    def owns(self, connection_id: int, peer: str, to_many: bool) -> bool:
        """Whether a frame is of this connection: only the target itself is believed.

        Its frames may come to us or, once a group is joined, to the group.
        """
        return connection_id == self._to_id and peer == self._host and (self.group is not None or not to_many)

    def take(self, seq32: int, payload: bytes, now_ns: int) -> bytes | None:
        """The input data of a T->O frame when it is new.

        Raises:
            RemoteError: data of another size; the frame does not feed the watchdog.
        """
        if len(payload) != self._payload_size:
            raise RemoteError(
                "T->O frame", f"{self._dress.sum_text(self._input_size)} bytes", str(len(payload))
            )
        if not self._dress.counted:
            return payload if self.consumer.accept(seq32, None, now_ns) else None
        count = payload[0] | payload[1] << 8
        return payload[2:] if self.consumer.accept(seq32, count, now_ns) else None

    def silence(self) -> str:
        """Why the watchdog bit."""
        if self.consumer.frames:
            return f"no T->O frame for {self.consumer.timeout_ns / 1e6:g} ms"
        if self.group is not None:
            return (
                f"no T->O frame ever came from group {self.group[0]}; look for a firewall, "
                "or a switch that does not forward the group"
            )
        return "no T->O frame ever came; look for a firewall or a wrong UDP port"
