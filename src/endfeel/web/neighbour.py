"""Which user of this machine is at the other end of a loopback connection, where the system tells (Linux does).

Public: user_at.
"""

from __future__ import annotations

import socket
import struct
from pathlib import Path
from typing import Any

_TABLE = Path("/proc/net/tcp")


def user_at(client: Any, server: Any) -> int | None:
    """The user id of the program that opened a connection from ``client`` to ``server`` ((IPv4 address, port) pairs).

    None where it can't be known: another system, another machine, or a connection that is gone already.
    """
    try:
        wanted = f" {_as_listed(client)} {_as_listed(server)} "
        with _TABLE.open(encoding="ascii") as lines:
            for line in lines:
                if wanted in line:
                    return int(line.split()[7])
    except (OSError, TypeError, ValueError, IndexError):
        return None
    return None


def _as_listed(end: Any) -> str:
    address, port = end
    (number,) = struct.unpack("=I", socket.inet_aton(str(address)))
    return f"{number:08X}:{int(port):04X}"
