"""The PyPI package cm-ethernetip as scanner and as adapter, run by the interpreter of its own environment.

    python -P peer_cm.py adapter ADDRESS
    python -P peer_cm.py scanner OWN_ADDRESS TARGET CLASS OUTPUT_SIZE INPUT_SIZE HEX

The adapter has 4 bytes each way, inputs repeating outputs. The scanner reads the product name connected
and unconnected, opens, sends HEX as its data after the 16-bit count and the header, and says what came
back, as JSON. It imports nothing of this project, because that environment has nothing of it.
"""

from __future__ import annotations

import asyncio
import functools
import json
import sys
from typing import Any

IDENTITY, ASSEMBLY, GET_SINGLE = 1, 4, 0x0E
INPUT, OUTPUT, CONFIGURATION, HEARTBEAT = 100, 150, 151, 152
IO_PORT = 2222
PATIENCE_S = 10.0


def say(told: object) -> None:
    sys.stdout.write(json.dumps(told) + "\n")
    sys.stdout.flush()


async def adapter(address: str) -> None:
    from ethernetip.cip.identity_info import IdentityInfo
    from ethernetip.device.virtual_device import VirtualDevice

    device: Any = VirtualDevice(IdentityInfo(product_name="Peer"), address)
    inputs = device.add_assembly(INPUT, 4)
    outputs = device.add_assembly(OUTPUT, 4)
    device.add_assembly(CONFIGURATION, 0)
    device.add_assembly(HEARTBEAT, 0)
    outputs.on_data_changed.append(lambda number, data: inputs.set_data(data))
    await device.start()
    say("Running")
    await asyncio.get_running_loop().create_future()


async def scanner(own: str, target: str, transport_class: int, sizes: tuple[int, int], data: bytes) -> None:
    from ethernetip.protocol.eip_scanner import EipScanner
    from ethernetip.protocol.eip_udp_transport import EipUdpTransport

    # It names no port in its forward open and binds any: frames come to 2222, so it shall listen there.
    asyncio.open_connection = functools.partial(asyncio.open_connection, local_addr=(own, 0))
    peer: Any = EipScanner()
    await peer.connect(target)
    await peer._udp.close()
    peer._udp = EipUdpTransport(own, IO_PORT)
    await peer._udp.start()
    async with peer:
        names = [await read(peer, IDENTITY, 1, 7), await read_connected(peer)]
        say({"names": names, **await exchange(peer, transport_class, sizes, data)})


async def read(peer: Any, class_id: int, instance: int, attribute: int) -> str:
    from ethernetip.cip.path_builder import build_path

    reply = await peer.send_explicit(GET_SINGLE, build_path(class_id, instance, attribute))
    return str(reply.data.hex())


async def read_connected(peer: Any) -> str:
    async with await peer.open_explicit() as connected:
        reply = await connected.send(GET_SINGLE, IDENTITY, 1, 7)
        return str(reply.data.hex())


async def exchange(
    peer: Any, transport_class: int, sizes: tuple[int, int], data: bytes
) -> dict[str, str | int]:
    from ethernetip.protocol.forward_open_config import ForwardOpenConfig

    asked = ForwardOpenConfig(OUTPUT, INPUT, CONFIGURATION, *sizes, 10_000, transport_class, 3)
    try:
        connection = await peer.forward_open(asked)
    except RuntimeError as refusal:
        return {"refused": str(refusal)}
    connection._consumed_data = bytearray(data)  # its own size holds the count as well
    loop = asyncio.get_running_loop()
    end_s = loop.time() + PATIENCE_S
    outputs = ""
    while not (int(outputs or "0", 16) and connection.receive_count > 5) and loop.time() < end_s:
        await asyncio.sleep(0.02)
        outputs = await read(peer, ASSEMBLY, OUTPUT, 3)
    inputs = connection.produced_data.hex()
    await connection.close()
    return {"inputs": inputs, "outputs": outputs, "after": await read(peer, ASSEMBLY, OUTPUT, 3)}


if __name__ == "__main__":
    if sys.argv[1] == "adapter":
        asyncio.run(adapter(sys.argv[2]))
    else:
        own, target, transport_class, output_size, input_size, data = sys.argv[2:]
        sizes = int(output_size), int(input_size)
        asyncio.run(scanner(own, target, int(transport_class), sizes, bytes.fromhex(data)))
