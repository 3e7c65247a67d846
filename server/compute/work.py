"""Long work in the background: started once, watched, cancelled; its result lands in the result store."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

logger = logging.getLogger("yieldwright")

# Told so far: share done [0..1] and what is being done.
Report = Callable[[float, str], None]
# Finished pieces of work are forgotten after this long. [s]
_KEPT = 600.0


class CancelledError(Exception):
    """The work was cancelled by the one who asked for it."""


@dataclass
class Work:
    """One piece of long work."""

    title: str
    share: float = 0.0
    step: str = "starting"
    state: str = "working"
    message: str = ""
    ended: float = 0.0
    stop: threading.Event = field(default_factory=threading.Event)

    def report(self, share: float, step: str) -> None:
        """Note progress; raises CancelledError where a cancel was asked for."""
        if self.stop.is_set():
            raise CancelledError
        self.share, self.step = min(max(share, self.share), 1.0), step


class Workshop:
    """Pieces of work by key; a second start of the same key joins the first."""

    def __init__(self) -> None:
        self._work: dict[str, Work] = {}
        self._lock = threading.Lock()

    def start(self, key: str, title: str, act: Callable[[Report], object]) -> Work:
        """Start ``act`` in the background, or return the work that is under way under this key."""
        with self._lock:
            self._forget()
            known = self._work.get(key)
            if known is not None and known.state == "working":
                return known
            work = Work(title)
            self._work[key] = work
        threading.Thread(target=self._run, args=(work, act), daemon=True, name=f"work {title}").start()
        return work

    def find(self, key: str) -> Work | None:
        """The work under a key; None if there was none lately."""
        with self._lock:
            return self._work.get(key)

    def cancel(self, key: str) -> None:
        """Ask the work to stop; it does so at its next step."""
        work = self.find(key)
        if work is not None:
            work.stop.set()

    def _run(self, work: Work, act: Callable[[Report], object]) -> None:
        try:
            act(work.report)
            work.state, work.share = "done", 1.0
        except CancelledError:
            work.state, work.message = "cancelled", "It was cancelled; nothing was changed."
        except Exception as error:
            logger.exception("Background work failed: %s", work.title)
            work.state, work.message = "failed", f"It failed ({type(error).__name__}); the log has the details."
        finally:
            work.ended = time.monotonic()

    def _forget(self) -> None:
        old = [k for k, w in self._work.items() if w.ended and time.monotonic() - w.ended > _KEPT]
        for key in old:
            del self._work[key]


WORKSHOP = Workshop()
