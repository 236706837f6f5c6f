"""The thread in which practice lives, and the one way to it from other threads: a bounded box of wishes."""

from __future__ import annotations

import queue
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from host.live.practising import Practising
    from host.live.wishes import Wish

# Often enough that no byte is unsaved for longer than 250 ms.
TICK_S = 0.05
IDLE_S = 0.25
MOST_WISHES = 256


class PracticeThread:
    """Runs a practice from `start` to `stop`. Whoever asks or covers holes never waits, whatever the thread is at."""

    def __init__(self, practising: Practising) -> None:
        self._practising = practising
        self._wishes: queue.Queue[Wish] = queue.Queue(MOST_WISHES)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="practice", daemon=True)
        self.failed: BaseException | None = None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End the sitting, keep it, and wait until that is done."""
        self._stopping.set()
        self._thread.join()

    @property
    def running(self) -> bool:
        """Whether the thread is at work."""
        return self._thread.is_alive()

    def ask(self, wish: Wish) -> bool:
        """Ask for something; False where too much is asked at once."""
        try:
            self._wishes.put_nowait(wish)
        except queue.Full:
            return False
        return True

    def cover(self, covered_mask: int) -> None:
        """Holes as a page covers them; passed over while another chanter is listened to."""
        port = self._practising.page_port
        if port is not None:
            port.feed(covered_mask)

    def _run(self) -> None:
        practising = self._practising
        try:
            practising.begin()
            while not self._stopping.is_set():
                self._step()
        except BaseException as error:
            # Handed to the main thread, which ends the program with it.
            self.failed = error
        finally:
            practising.close()

    def _step(self) -> None:
        practising, reader = self._practising, self._practising.reader
        if reader is None:
            self._grant(IDLE_S)
            practising.whereabouts.look()
            return
        practising.take_in(reader.get(TICK_S))
        while not self._wishes.empty():
            self._grant(0)

    def _grant(self, timeout_s: float) -> None:
        try:
            wish = self._wishes.get(timeout=timeout_s) if timeout_s else self._wishes.get_nowait()
        except queue.Empty:
            return
        self._practising.grant(wish)
