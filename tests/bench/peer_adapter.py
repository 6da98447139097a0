"""An adapter built with the PyPI package cm-ethernetip, run by the interpreter of its own environment.

`python -P peer_adapter.py ADDRESS asyncio|uvloop`. Assemblies as in the loopback station: inputs repeat
the outputs. It imports nothing of this project, because that environment has nothing of it.
"""

from __future__ import annotations

import asyncio
import importlib
import sys
from typing import Any


async def serve(address: str) -> None:
    from ethernetip.cip.identity_info import IdentityInfo
    from ethernetip.device.virtual_device import VirtualDevice

    device: Any = VirtualDevice(IdentityInfo(product_name="Peer"), address)
    inputs = device.add_assembly(100, 32)
    outputs = device.add_assembly(150, 32)
    device.add_assembly(151, 0)
    device.add_assembly(152, 0)
    outputs.on_data_changed.append(lambda number, data: inputs.set_data(data))
    await device.start()
    sys.stdout.write("Running\n")
    sys.stdout.flush()
    await asyncio.get_running_loop().create_future()


def main(address: str, kind: str) -> None:
    if kind == "uvloop":
        importlib.import_module("uvloop").run(serve(address))
    else:
        asyncio.run(serve(address))


if __name__ == "__main__":
    main(*sys.argv[1:])
