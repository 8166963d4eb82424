"""Values that were worked out and are kept for as long as there is room, each worked out once even if asked for twice.

Public: Kept.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


class Kept:
    """A bounded cache of values by key, with one background worker that fills it ahead of need.

    Safe to use from several threads. A value that is being worked out is waited for, not worked out again.
    """

    def __init__(self, room: int = 600) -> None:
        self._room = room
        self._futures: OrderedDict[Hashable, Future[Any]] = OrderedDict()
        self._lock = threading.Lock()
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ahead")

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """The value of the key; made now if nobody has made it. What ``make`` raises is raised and not kept."""
        with self._lock:
            found = self._futures.get(key)
            mine = found is None
            if found is None:
                found = Future()
                self._futures[key] = found
                while len(self._futures) > self._room:
                    self._futures.popitem(last=False)
            else:
                self._futures.move_to_end(key)
        if mine:
            try:
                found.set_result(make())
            except BaseException as error:
                with self._lock:
                    self._futures.pop(key, None)
                found.set_exception(error)
        value: T = found.result()
        return value

    def known(self, key: Hashable) -> Any | None:
        """The value of the key if it is there already; None otherwise."""
        with self._lock:
            found = self._futures.get(key)
        return found.result() if found is not None and found.done() and found.exception() is None else None

    def put(self, key: Hashable, value: object) -> None:
        """Keep a value, in place of an earlier one."""
        ready: Future[Any] = Future()
        ready.set_result(value)
        with self._lock:
            self._futures[key] = ready
            self._futures.move_to_end(key)

    def ahead(self, work: Callable[[], object]) -> None:
        """Do some work in the background, after what was asked for before it; its errors are met when it is needed."""
        try:
            self._worker.submit(work)
        except RuntimeError:
            return  # closing: nothing will be needed any more

    def close(self) -> None:
        """Drop what waits to be done in the background."""
        self._worker.shutdown(wait=False, cancel_futures=True)
