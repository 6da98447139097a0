"""Bytes of bad will on every door: the adapter answers as it should, lives, and a good client still works."""

from __future__ import annotations

from eip_link import CONFIG, MANAGER, MS, OPEN, PATH, Client, Link
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from bench.eip.cyclic import RUN, encode_cyclic
from bench.eip.encapsulation import Command, Frame
from bench.eip.forward_open import ForwardClose, OpenReply
from bench.eip.message import encode_request
from bench.eip.transport import IO_PORT, TCP_PORT, CloseTcp, SendTcp, SendUdp

OUTPUTS = b"\x11" * 32


class Hostile(RuleBasedStateMachine):
    """One good owner keeps its connection while another client sends whatever it likes."""

    def __init__(self) -> None:
        super().__init__()
        self.adapter = Link().adapter
        self.good = Client(self.adapter, link=1, address="127.0.0.2").register()
        self.ot_id = OpenReply.decode(self.good.open().data).ot_id
        self.sequence = 0
        self.now_ns = 0
        self.next_link = 10
        self.bad = self._new_client()

    def _new_client(self) -> Client:
        self.next_link += 1
        return Client(self.adapter, link=self.next_link, address="127.0.0.66")

    def _hurt(self, data: bytes) -> list[Frame]:
        if self.bad.closed:
            self.bad = self._new_client()
        return self.bad.send(data, self.now_ns)

    @rule(data=st.binary(max_size=200))
    def random_stream(self, data: bytes) -> None:
        self._hurt(data)

    @rule(
        command=st.sampled_from([0, 4, 0x63, 0x64, 0x65, 0x66, 0x6F, 0x70, 0x99]),
        data=st.binary(max_size=60),
        cut=st.integers(0, 40),
    )
    def cut_frame(self, command: int, data: bytes, cut: int) -> None:
        frame = Frame(command, self.bad.session, data=data).encode()
        self._hurt(frame[: max(0, len(frame) - cut)])

    @rule(length=st.integers(4097, 65535))
    def oversized_frame_closes_the_link(self, length: int) -> None:
        self.bad = self._new_client()
        self._hurt(b"\x6f\x00" + length.to_bytes(2, "little") + bytes(20))
        assert self.bad.closed

    @rule(message=st.binary(max_size=60))
    def random_message(self, message: bytes) -> None:
        self.bad = self._new_client().register()
        data = bytes(6) + b"\x02\0\0\0\0\0\xb2\0" + len(message).to_bytes(2, "little") + message
        (frame,) = self._hurt(Frame(Command.SEND_RR_DATA, self.bad.session, data=data).encode())
        assert frame.status == (0 if len(message) >= 2 else 3)

    @rule(at=st.integers(0, 200), value=st.integers(0, 255), cut=st.integers(0, 60))
    def bent_forward_open(self, at: int, value: int, cut: int) -> None:
        asked = bytearray(OPEN.encode())
        asked[at % len(asked)] = value
        self.bad = self._new_client().register()
        whole = bytes(asked[: len(asked) - cut]) if cut < len(asked) else b""
        assert self.bad.message(encode_request(0x54, MANAGER, whole)).status in (0x01, 0x13, 0x15)

    @rule()
    def close_of_the_owner_by_a_stranger(self) -> None:
        self.bad = self._new_client().register()
        data = encode_request(0x4E, MANAGER, ForwardClose(1, 0, 99, PATH).encode())
        assert self.bad.message(data).extended == (0x107,)

    @rule(data=st.binary(max_size=100), port=st.sampled_from([TCP_PORT, IO_PORT]))
    def random_datagram(self, data: bytes, port: int) -> None:
        self.adapter.udp_received(port, ("127.0.0.66", 5000), data, self.now_ns)

    @rule(body=st.binary(max_size=50), own=st.booleans())
    def cyclic_frame_of_a_stranger(self, body: bytes, own: bool) -> None:
        frame = encode_cyclic(self.ot_id if own else 7, self.sequence + 9, 9, body)
        self.adapter.udp_received(IO_PORT, ("127.0.0.66", 2222), frame, self.now_ns)

    @rule(step_ms=st.integers(1, 30))
    def time_passes(self, step_ms: int) -> None:
        self.now_ns += step_ms * MS
        self.adapter.handle_timer(self.now_ns)

    @rule()
    def the_bad_link_drops(self) -> None:
        self.adapter.tcp_closed(self.bad.link, self.now_ns)
        self.bad = self._new_client()

    @invariant()
    def the_owner_is_served(self) -> None:
        self.sequence += 1
        frame = encode_cyclic(self.ot_id, self.sequence, self.sequence & 0xFFFF, RUN + OUTPUTS)
        self.adapter.udp_received(IO_PORT, ("127.0.0.2", 2222), frame, self.now_ns)
        assert self.good.get(1, 1, 6).data == CONFIG.identity.serial.to_bytes(4, "little")
        assert (self.adapter.outputs, self.adapter.running) == (OUTPUTS, True)

    @invariant()
    def nothing_goes_where_it_was_not_asked(self) -> None:
        for sent in self.adapter.take_outgoing():
            assert not isinstance(sent, (SendTcp, CloseTcp)) or sent.link != self.good.link
            assert not isinstance(sent, SendUdp) or sent.peer[0] in ("127.0.0.2", "127.0.0.66")
        self.adapter.take_events()


TestHostile = Hostile.TestCase
TestHostile.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)
