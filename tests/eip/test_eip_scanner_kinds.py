"""The scanner against a scripted target: kinds, classes, reply items, multicast, backoff, refusals."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from eip_target import CONFIG, GROUP, HOST, MS, OT_ID, Target, sockaddr
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.config import OutputFormat
from bench.eip.cpf import Item, ItemType
from bench.eip.cyclic import INPUT_ONLY, LISTEN_ONLY, decode_cyclic, decode_frame
from bench.eip.encapsulation import Command, Frame
from bench.eip.epath import ElectronicKey
from bench.eip.events import BadFrame, Connected, Disconnected, InputsReceived, Refused
from bench.eip.forward_open import OpenReply
from bench.eip.message import Service
from bench.eip.originator import Trigger, read_answer
from bench.eip.scanner import State
from bench.eip.transport import JoinGroup, LeaveGroup
from bench.errors import LocalError, RemoteError

OT, TO = ItemType.SOCKADDR_OT, ItemType.SOCKADDR_TO
NULL, IDENTITY = Item(ItemType.NULL_ADDRESS), Item(ItemType.IDENTITY, b"x")
OTHER_GROUP = ("239.192.1.0", 2222)


# sizes on the wire: data + 4 header + 2 count; a heartbeat has neither data nor header (public capture)
@pytest.mark.parametrize(
    ("changes", "ot", "to", "point", "class_trigger"),
    [
        ({}, 7, 4, 150, 0x01),
        ({"transport_class": 0}, 5, 2, 150, 0x00),
        ({"output_format": OutputFormat.ZERO_LENGTH}, 3, 4, 150, 0x01),
        ({"kind": INPUT_ONLY}, 2, 4, 152, 0x01),
        ({"kind": LISTEN_ONLY}, 2, 4, 153, 0x01),
        ({"kind": INPUT_ONLY, "transport_class": 0}, 0, 2, 152, 0x00),
        ({"kind": INPUT_ONLY, "heartbeat_point": 198}, 2, 4, 198, 0x01),
        ({"trigger": Trigger.CHANGE_OF_STATE}, 7, 4, 150, 0x11),
        ({"trigger": Trigger.APPLICATION, "transport_class": 0}, 5, 2, 150, 0x20),
    ],
)
def test_forward_open_of_each_kind(
    changes: dict[str, Any], ot: int, to: int, point: int, class_trigger: int
) -> None:
    ((_, asked),) = Target(**changes).start().opens
    got = asked.ot.size, asked.to.size, asked.path[5], asked.class_trigger
    assert got == (ot, to, point, class_trigger)


def test_path_with_everything_in_it() -> None:
    target = Target(
        key=ElectronicKey(1, 12, 7, 2, 3, True), inhibit_us=5000, configuration=b"\x01\x02\x03"
    ).start()
    key, points = "34 04 01 00 0C 00 07 00 82 03", "20 04 24 97 2C 96 2C 64"
    expected = bytes.fromhex(f"{key} {points} 43 05 80 02 01 02 03 00")
    assert target.opens[0][1].path == expected


def test_path_without_configuration_assembly() -> None:
    target = Target(configuration_assembly=None).start()
    assert target.opens[0][1].path == bytes.fromhex("20 04 2C 96 2C 64")


def test_each_direction_has_its_own_rpi_and_the_priority_its_dscp() -> None:
    target = Target(to_rpi_ns=20 * MS, priority=3).start().run_for(10 * MS)
    asked = target.opens[0][1]
    intervals = asked.ot_rpi_us, asked.to_rpi_us, asked.ot.priority, asked.to.priority
    assert (intervals, {sent.dscp for sent in target.datagrams()}) == ((10_000, 20_000, 3, 3), {55})


# -- what goes out ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "payloads"),
    [
        ({}, ["01 00 00 00 00 00 00", "02 00 01 00 00 00 A5"]),
        ({"transport_class": 0}, ["00 00 00 00 00", "01 00 00 00 A5"]),
        ({"output_format": OutputFormat.ZERO_LENGTH}, ["01 00", "02 00 A5"]),
        ({"kind": INPUT_ONLY}, ["01 00", "01 00"]),
        ({"kind": LISTEN_ONLY, "transport_class": 0}, ["", ""]),
    ],
)
def test_frames_idle_then_run(changes: dict[str, Any], payloads: list[str]) -> None:
    target = Target(**changes).start().run_for(0)
    target.scanner.set_run(True)
    if not target.scanner.config.kind.heartbeat:
        target.scanner.set_outputs(b"\xa5", target.now_ns)
    target.run_for(10 * MS)
    frames = [decode_frame(sent.data) for sent in target.datagrams()]
    assert [(frame[0], frame[2].hex(" ").upper()) for frame in frames] == [(OT_ID, text) for text in payloads]


def test_change_of_state_goes_out_after_the_inhibit_time_and_not_sooner() -> None:
    target = Target(trigger=Trigger.CHANGE_OF_STATE, inhibit_us=4000).start().run_for(1 * MS)
    target.scanner.set_outputs(b"\x01", target.now_ns)
    due_ns = target.scanner.next_deadline_ns()
    target.run_for(5 * MS)
    sent = [decode_cyclic(datagram.data)[2:] for datagram in target.datagrams()]
    assert (due_ns, sent) == (4 * MS, [(1, bytes(5)), (2, bytes(4) + b"\x01")])


@pytest.mark.parametrize("kind", [INPUT_ONLY, LISTEN_ONLY])
def test_a_kind_without_outputs_takes_none(kind: Any) -> None:
    target = Target(kind=kind).start()
    with pytest.raises(LocalError, match="expected exclusive owner"):
        target.scanner.set_outputs(b"\x01", 0)
    assert target.scanner.outputs == b""


# -- what comes in ------------------------------------------------------------------------------------


@pytest.mark.parametrize("transport_class", [0, 1])
def test_inputs_of_both_classes(transport_class: int) -> None:
    target = Target(transport_class=transport_class).start()
    target.produce(b"\x12\x34").produce(b"\x12\x35")
    assert [event.data for event in target.of(InputsReceived)] == [b"\x12\x34", b"\x12\x35"]


@given(first=st.integers(0, 0xFFFF_FFFF))
def test_first_sequence_may_be_any(first: int) -> None:
    target = Target().start().produce(b"\x01\x02", step=first).produce(b"\x03\x04")
    assert (target.scanner.inputs, target.scanner.frames[0], target.scanner.lost) == (b"\x03\x04", 2, 0)


def test_a_frame_of_another_size_is_told_once_in_a_while_and_feeds_no_watchdog() -> None:
    target = Target().start().produce(b"\x01\x02")
    for _ in range(5):
        target.run_for(7 * MS).produce(b"\x01\x02\x03")
    told = [event.sentence for event in target.of(BadFrame)]
    target.run_for(5 * MS)
    assert (told, target.scanner.bad) == (["T->O frame: expected 2 + 2 count = 4 bytes, got 5"], 5)
    assert target.of(Disconnected) == [Disconnected(40 * MS, "no T->O frame for 40 ms")]


@pytest.mark.parametrize("odd", [{"host": "127.0.0.3"}, {"to_many": True}])
def test_a_frame_the_target_did_not_send_to_us_is_a_stray(odd: dict[str, Any]) -> None:
    target = Target().start().produce(b"\x01\x02", **odd)
    assert (target.scanner.strays, target.scanner.frames[0]) == (1, 0)


# -- reply items --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "items"),
    [
        ((NULL,), ()),
        ((NULL,), (sockaddr(OT),)),
        ((NULL,), (sockaddr(OT), sockaddr(TO))),
        ((NULL,), (sockaddr(TO), sockaddr(OT))),
        ((sockaddr(OT), NULL), (sockaddr(TO),)),
        ((), (NULL, sockaddr(OT))),
        ((NULL,), (sockaddr(OT), sockaddr(TO), IDENTITY)),
    ],
)
def test_reply_items_in_any_number_and_order(first: tuple[Item, ...], items: tuple[Item, ...]) -> None:
    target = Target()
    target.first, target.items = first, items
    target.start().run_for(0)
    assert [sent.peer for sent in target.datagrams()] == [(HOST, 2222)]


@pytest.mark.parametrize(
    ("item", "peer", "told"),
    [
        (sockaddr(OT, port=2300), (HOST, 2300), 0),
        (sockaddr(OT, HOST, 2300), (HOST, 2300), 0),
        (sockaddr(OT, port=0), (HOST, 2222), 0),
        (sockaddr(OT, "127.0.0.77", 2300), (HOST, 2300), 1),
    ],
)
def test_outputs_go_to_the_target_only(item: Item, peer: tuple[str, int], told: int) -> None:
    target = Target()
    target.items = (item,)
    target.start().run_for(0)
    named = [event for event in target.of(BadFrame) if "127.0.0.77; expected 0.0.0.0 or" in event.sentence]
    assert ([sent.peer for sent in target.datagrams()], len(named)) == ([peer], told)


def test_our_own_port_is_told_in_an_item() -> None:
    target = Target(io_port=3000).start()
    assert target.asked_items == (sockaddr(TO, port=3000),)


@given(st.binary(max_size=80))
def test_any_bytes_for_an_answer_are_read_or_refused(data: bytes) -> None:
    try:
        read_answer(bytes(6) + data)
    except RemoteError as error:
        told = str(error)
    else:
        told = "expected"
    assert "expected" in told


class Hostile(Target):
    """Answers every request with the next of some bytes, whatever was asked."""

    def __init__(self, messages: list[bytes], **changes: Any) -> None:
        super().__init__(**changes)
        self.messages = messages

    def _message(self, data: bytes) -> bytes:
        return self.messages.pop(0) if self.messages else super()._message(data)


STATUS = st.binary(max_size=12).map(lambda tail: b"\x8e\x00\x00\x00" + tail)
WORDS = st.lists(st.integers(0, 0xFFFF), max_size=7)
REFUSAL = st.tuples(st.sampled_from([0x126, 0x127, 0x128, 0x112, 0x106, 0x116, 0x999]), WORDS).map(
    lambda said: (
        bytes((0xD4, 0, 1, len(said[1]) + 1))
        + b"".join(word.to_bytes(2, "little") for word in (said[0], *said[1]))
    )
)
GRANT = st.binary(min_size=24, max_size=30).map(lambda body: b"\xd4\x00\x00\x00" + body)


@given(
    messages=st.lists(st.one_of(st.binary(max_size=40), STATUS, REFUSAL, GRANT), max_size=12),
    items=st.lists(st.builds(Item, st.sampled_from([OT, TO, NULL.type_id]), st.binary(max_size=17))),
    multicast=st.booleans(),
    datagram=st.binary(max_size=40),
)
def test_a_hostile_target_never_stops_the_scanner(
    messages: list[bytes], items: list[Item], multicast: bool, datagram: bytes
) -> None:
    target = Hostile(messages, learn_sizes=("input", "output"), multicast=multicast)
    target.items = tuple(items)
    target.start().run_for(20_000 * MS)
    target.scanner.udp_received(2222, (HOST, 2222), datagram, target.now_ns)
    target.items = (sockaddr(TO, *GROUP),)
    target.messages.clear()
    target.run_for(30_000 * MS)
    assert target.of(Connected) != []


@pytest.mark.parametrize(("api_us", "connected"), [(0, False), (1, False), (4999, False), (5000, True)])
def test_a_target_cannot_make_us_flood_it(api_us: int, connected: bool) -> None:
    reply = OpenReply(OT_ID, 1, (1, 0, 0x1234), api_us, 10_000).encode()
    target = Hostile([b"\xd4\x00\x00\x00" + reply]).start()
    assert (target.scanner.connected, len(target.of(Disconnected))) == (connected, not connected)


# -- multicast ----------------------------------------------------------------------------------------


def multicast(*items: Item, **changes: Any) -> Target:
    target = Target(multicast=True, **changes)
    target.items = items
    return target.start()


def test_multicast_joins_the_named_group_and_takes_its_frames() -> None:
    target = multicast(sockaddr(OT), sockaddr(TO, *GROUP), kind=LISTEN_ONLY)
    target.produce(b"\x01\x02", to_many=True)
    asked = target.opens[0][1]
    assert (asked.to.type, asked.to_id, target.scanner.inputs) == (1, 0, b"\x01\x02")
    assert (JoinGroup(*GROUP) in target.outgoing, target.scanner.group) == (True, GROUP)


def test_frames_of_a_group_arrive_at_the_groups_port() -> None:
    target = multicast(sockaddr(TO, GROUP[0], 2500), io_port=3000)
    target.produce(b"\x01\x02", to_many=True, port=2500).produce(b"\x05\x06", to_many=True, port=2501)
    assert (target.scanner.inputs, target.outgoing.count(JoinGroup(GROUP[0], 2500))) == (b"\x01\x02", 1)


def test_another_devices_frames_in_the_group_are_strays() -> None:
    target = multicast(sockaddr(TO, *GROUP)).produce(b"\x01\x02", to_many=True, host="127.0.0.3")
    assert (target.scanner.strays, target.scanner.frames[0]) == (1, 0)


@pytest.mark.parametrize("end", ["close", "silence"])
def test_the_group_is_left_at_the_end(end: str) -> None:
    target = multicast(sockaddr(TO, *GROUP)).produce(b"\x01\x02", to_many=True)
    if end == "close":
        target.scanner.close(target.now_ns)
    target.run_for(50 * MS).pump()
    assert (target.outgoing.count(LeaveGroup(*GROUP)), target.scanner.group) == (1, None)


def test_a_new_group_after_a_reconnect_is_joined() -> None:
    target = multicast(sockaddr(TO, *GROUP)).produce(b"\x01\x02", to_many=True)
    target.items = (sockaddr(TO, *OTHER_GROUP),)
    target.run_for(1100 * MS)
    groups = [sent for sent in target.outgoing if isinstance(sent, JoinGroup | LeaveGroup)]
    assert groups == [JoinGroup(*GROUP), LeaveGroup(*GROUP), JoinGroup(*OTHER_GROUP)]


@pytest.mark.parametrize(
    ("items", "sentence"),
    [((), "no group came back"), ((sockaddr(TO, "10.0.0.1"),), "names 10.0.0.1; expected a multicast group")],
)
def test_multicast_without_a_group_goes_on_at_our_own_address(items: tuple[Item, ...], sentence: str) -> None:
    target = multicast(*items).produce(b"\x01\x02")
    told = " ".join(event.sentence for event in target.of(BadFrame))
    assert (sentence in told, target.scanner.inputs, target.scanner.connected) == (True, b"\x01\x02", True)


def test_a_group_nobody_asked_for_is_not_joined() -> None:
    target = Target()
    target.items = (sockaddr(TO, *GROUP),)
    target.start()
    assert (target.scanner.group, [s for s in target.outgoing if isinstance(s, JoinGroup)]) == (None, [])


# -- again and again ----------------------------------------------------------------------------------


def test_backoff_doubles_up_to_its_most() -> None:
    target = Target(retry_ns=1000 * MS, retry_most_ns=5000 * MS)
    target.refuse_tcp = True
    target.start().run_for(20_000 * MS)
    assert [t_ns // (1000 * MS) for t_ns in target.connects] == [0, 1, 3, 7, 12, 17]


def test_backoff_of_refused_opens_keeps_the_session() -> None:
    target = Target()
    target.answers = [(1, 0x106)] * 5
    target.start().run_for(30_000 * MS, feed=b"\x01\x02")
    assert [t_ns // (1000 * MS) for t_ns, _ in target.opens] == [0, 1, 3, 7, 15, 23]
    assert (target.connects, target.scanner.connected) == ([0], True)


def test_a_connection_that_got_frames_starts_over_with_the_shortest_wait() -> None:
    target = Target()
    target.answers = [(1, 0x106)] * 3
    target.start().run_for(7000 * MS).produce(b"\x01\x02").run_for(1100 * MS)
    opened_ms = [t_ns // MS for t_ns, _ in target.opens]
    assert (opened_ms, len(target.of(Connected))) == ([0, 1000, 3000, 7000, 8040], 2)


def test_a_connection_without_any_frame_is_given_10_s_and_does_not_reset_the_backoff() -> None:
    target = Target().start().run_for(24_000 * MS)
    assert [t_ns // MS for t_ns, _ in target.opens] == [0, 11_000, 23_000]
    assert "no T->O frame ever came" in target.of(Disconnected)[0].reason


def test_multicast_that_never_came_names_the_group() -> None:
    target = multicast(sockaddr(TO, *GROUP)).run_for(10_000 * MS)
    assert "from group 239.192.5.128" in target.of(Disconnected)[0].reason


def test_an_answer_nobody_waits_for_is_dropped() -> None:
    target = Target()
    target.silent = True
    target.start().run_for(6000 * MS)  # given up after 5 s, asked again on a new link
    for context, state in ((1, State.REGISTERING), (2, State.OPENING)):
        answer = Frame(Command.REGISTER_SESSION, 9, 0, context.to_bytes(8, "little"), 0, b"\x01\0\0\0")
        target.scanner.tcp_received(1, answer.encode(), target.now_ns)
        assert target.scanner.state is state


def test_close_names_the_triad() -> None:
    target = Target(connection_serial=0x0102, vendor_id=0x0304).start()
    target.scanner.close(0)
    target.pump()
    service, triad = target.requests[-1][0], target.requests[-1][8:16]
    assert (service, triad.hex()) == (Service.FORWARD_CLOSE, "0201040334120000")


# -- refusals in words --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "answer", "words"),
    [
        ({}, (1, 0x127, 38), "we asked for 1 + 4 header + 2 count = 7, it takes 38"),
        ({"kind": INPUT_ONLY}, (1, 0x127, 6), "we asked for 0 + 2 count = 2, it takes 6"),
        ({"transport_class": 0}, (1, 0x128, 32), "we asked for 2, it gives 32"),
        ({}, (1, 0x128), "we asked for 2 + 2 count = 4, it does not say its own size"),
        ({"configuration": b"abc"}, (1, 0x126, 4), "we sent 2 words of configuration (3 bytes), it takes 4"),
        # 20 ms both ways, the layout of the dissector's cip.cm.ext112_*
        ({}, (1, 0x112, 0x0202, 0x4E20, 0, 0x4E20, 0), "acceptable are 20000 us O->T and 20000 us T->O"),
        ({}, (1, 0x112), "we asked for RPI 10000 us O->T and 10000 us T->O, it does not say which"),
        ({}, (1, 0x106), "another originator owns output assembly 150"),
        ({"kind": LISTEN_ONLY}, (1, 0x119), "needs another originator's connection"),
        ({}, (1, 0x100), "still open there"),
        ({}, (1, 0x113), "close another connection to it first"),
        ({}, (1, 0x116), "we sent no electronic key"),
        ({"key": ElectronicKey(major=2)}, (1, 0x116), "another revision"),
        ({"multicast": True}, (1, 0x124), "we asked for multicast"),
        ({"multicast": True}, (1, 0x813), "ask for point to point"),
        ({}, (1, 0x12F), "configuration 151, O->T 150, T->O 100"),
        ({}, (2,), "0x02 resource unavailable"),
    ],
)
def test_a_refusal_names_what_would_do(changes: dict[str, Any], answer: tuple[int, ...], words: str) -> None:
    target = Target(**changes)
    target.answers = [answer]
    target.start()
    (refused,) = target.of(Refused)
    assert (words in refused.sentence, refused.status, refused.extended) == (True, answer[0], answer[1:])


# -- sizes learned ------------------------------------------------------------------------------------


def test_sizes_are_learned_from_the_refusals() -> None:
    target = Target(learn_sizes=("input", "output"), input_size=0, output_size=0)
    target.answers = [(1, 0x127, 38), (1, 0x128, 34)]
    target.start()
    sizes = len(target.scanner.inputs), len(target.scanner.outputs), target.now_ns
    assert (sizes, target.scanner.connected, len(target.scanner.learned)) == ((32, 32, 0), True, 2)


SIZES = {(100, 4): b"\x08\x00", (150, 4): b"\x04\x00"}
DATA = {(100, 3): bytes(8), (150, 4): b"\x04\x00"}
ODD = {(100, 4): b"\x08", (100, 3): bytes(8), (150, 3): bytes(4)}


@pytest.mark.parametrize("attributes", [SIZES, DATA, ODD])
def test_sizes_are_read_from_the_assembly_object_first(attributes: dict[tuple[int, int], bytes]) -> None:
    target = Target(learn_sizes=("input", "output"), input_size=0, output_size=0)
    target.attributes = attributes
    target.start()
    asked = target.opens[0][1]
    assert (asked.to.size, asked.ot.size, len(target.opens)) == (8 + 2, 4 + 4 + 2, 1)


def test_a_size_that_was_given_is_not_learned() -> None:
    target = Target(learn_sizes=("input",), input_size=0, output_size=30)
    target.attributes = SIZES
    target.answers = [(1, 0x127, 10)]
    target.start()
    asked = target.opens[0][1]
    assert (asked.ot.size, target.scanner.connected, list(target.scanner.learned)) == (36, False, ["input"])


def test_an_input_only_connection_asks_for_no_output_size() -> None:
    target = Target(learn_sizes=("input", "output"), kind=INPUT_ONLY).start()
    assert [request[2:8].hex() for request in target.requests[:-1]] == ["200424643004", "200424643003"]


def test_a_question_left_unanswered_is_not_asked_again() -> None:
    target = Target(learn_sizes=("input", "output"))
    target.silent = True
    target.scanner.start(0)
    target.scanner.tcp_opened(1, (HOST, 44818), 0)
    context = (1).to_bytes(8, "little")
    target.scanner.tcp_received(
        1, Frame(Command.REGISTER_SESSION, 9, 0, context, 0, b"\x01\0\0\0").encode(), 0
    )
    target.pump().run_for(5000 * MS)
    target.silent = False
    target.run_for(1000 * MS)
    assert (
        target.of(Disconnected)[0].reason == f"no answer to Get_Attribute_Single of an assembly from {HOST}"
    )
    assert [request[0] for request in target.requests] == [0x0E, 0x0E, 0x54]


@pytest.mark.parametrize("answer", [(1, 0x127, 38), (1, 0x127, 3), (1, 0x127), (1, 0x106)])
def test_a_target_that_is_never_content_is_left_alone(answer: tuple[int, ...]) -> None:
    target = Target(learn_sizes=("input", "output"))
    target.answers = [answer] * 9
    target.start()
    assert (len(target.opens) <= 2, target.scanner.state) == (True, State.WAITING)


@pytest.mark.parametrize(
    "change",
    [
        {"transport_class": 2},
        {"priority": 4},
        {"io_port": 0},
        {"inhibit_us": 10_001},
        {"to_rpi_ns": 1},
        {"output_assembly": 0},
        {"kind": INPUT_ONLY, "heartbeat_point": 0},
        {"kind": INPUT_ONLY, "output_format": OutputFormat.ZERO_LENGTH},
        {"input_size": 70_000},
    ],
)
def test_what_a_forward_open_cannot_carry(change: dict[str, Any]) -> None:
    with pytest.raises(LocalError, match="expected"):
        replace(CONFIG, **change)
