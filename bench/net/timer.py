"""The paced driver's alarm: a timer of the operating system with a resolution far below a millisecond.

On Linux a `timerfd` on the monotonic clock, armed with absolute deadlines and watched by whatever loop
runs: the stock one or uvloop, whose own timers are rounded to whole milliseconds. Elsewhere the loop's
own timers.

The recipe: `asyncio.Runner(loop_factory=paced_loop)`, and inside it `driver = paced(timeline)`.
"""

from __future__ import annotations

import asyncio
import ctypes
import os
import sys
from collections.abc import Callable
from importlib import import_module

from bench import clock
from bench.clock import Alarm, LoopAlarm, PacedDriver, Timeline
from bench.errors import LocalError
from bench.units import NS_PER_S

_MONOTONIC = 1  # CLOCK_MONOTONIC of <time.h> on Linux
_ABSOLUTE = 1  # TFD_TIMER_ABSTIME of <sys/timerfd.h>
_FLAGS = 0o4000 | 0o2000000  # TFD_NONBLOCK | TFD_CLOEXEC
_OFF_NS = 0  # a deadline of zero disarms


class _Timespec(ctypes.Structure):
    _fields_ = (("seconds", ctypes.c_long), ("nanoseconds", ctypes.c_long))


class _Setting(ctypes.Structure):
    _fields_ = (("interval", _Timespec), ("value", _Timespec))


class _LibraryTimer:
    """`timerfd` by the C library, for Pythons before 3.13; raises OSError where there is none."""

    def __init__(self) -> None:
        try:
            library = ctypes.PyDLL(
                None
            )  # keeps the interpreter's lock: the calls take less than giving it up
            create, self._set = library.timerfd_create, library.timerfd_settime
        except (AttributeError, OSError) as error:
            raise OSError("this C library has no timerfd") from error
        self.fd: int = create(_MONOTONIC, _FLAGS)
        if self.fd < 0:
            raise OSError("timerfd_create was refused")
        self._setting = _Setting()
        self._value = self._setting.value
        self._at = ctypes.byref(self._setting)

    def set(self, at_ns: int) -> None:
        """Become readable at *at_ns*; clears what has expired."""
        self._value.seconds, self._value.nanoseconds = divmod(at_ns, NS_PER_S)
        self._set(self.fd, _ABSOLUTE, self._at, None)


class _SystemTimer:
    """`timerfd` by the `os` module, Python 3.13 and newer."""

    def __init__(self) -> None:
        module = vars(os)  # the checker reads the oldest Python that is supported
        self.fd: int = module["timerfd_create"](_MONOTONIC, flags=_FLAGS)
        self._set: Callable[..., object] = module["timerfd_settime_ns"]

    def set(self, at_ns: int) -> None:
        self._set(self.fd, flags=_ABSOLUTE, initial=at_ns)


def _open_timer() -> _LibraryTimer | _SystemTimer:
    return _SystemTimer() if hasattr(os, "timerfd_create") else _LibraryTimer()


class TimerfdAlarm:
    """An alarm of the Linux kernel; opened at the first `arm`, inside the running loop.

    Raises:
        OSError: by `arm`, when the system has no timerfd or no file descriptor left.
    """

    def __init__(self) -> None:
        self._timer: _LibraryTimer | _SystemTimer | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._call: Callable[[], None] | None = None

    def arm(self, at_ns: int, call: Callable[[], None]) -> None:
        timer = self._timer
        if timer is None:
            timer = self._timer = _open_timer()
            self._loop = asyncio.get_running_loop()
            self._loop.add_reader(timer.fd, self._expired)
        self._call = call
        timer.set(max(at_ns, 1))

    def _expired(self) -> None:
        call, self._call = self._call, None
        if call is not None:
            call()
        if self._call is None:
            self.disarm()  # else it would stay readable; arming anew has cleared it already

    def disarm(self) -> None:
        self._call = None
        if self._timer is not None:
            self._timer.set(_OFF_NS)

    def close(self) -> None:
        timer, self._timer, self._call = self._timer, None, None
        if timer is not None:
            if self._loop is not None and not self._loop.is_closed():
                self._loop.remove_reader(timer.fd)
            os.close(timer.fd)


def has_timerfd() -> bool:
    """Whether this computer's timers can be had as file descriptors."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        timer = _open_timer()
    except OSError:
        return False
    os.close(timer.fd)
    return True


def best_alarm() -> Alarm:
    """The finest alarm that this computer has."""
    return TimerfdAlarm() if has_timerfd() else LoopAlarm()


def paced(timeline: Timeline) -> PacedDriver:
    """A paced driver for *timeline* with the finest alarm; works on any asyncio loop that takes readers."""
    return PacedDriver(timeline, best_alarm())


def paced_loop(fast: bool = False) -> asyncio.AbstractEventLoop:
    """A loop for `paced`: with `timerfd` the default selector, which takes any number of sockets.

    Args:
        fast: take uvloop, an optional dependency.

    Raises:
        LocalError: *fast*, and uvloop is not installed.
    """
    if fast:
        try:
            module = import_module("uvloop")  # by name: the checker may not have it installed
        except ImportError as error:
            raise LocalError("the fast loop needs uvloop: pip install uvloop") from error
        loop: asyncio.AbstractEventLoop = module.new_event_loop()
        return loop
    return asyncio.SelectorEventLoop() if has_timerfd() else clock.paced_loop()
