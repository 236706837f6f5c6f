"""How two ends meet: greetings and proofs, until both have the keys; or why not, in a sentence.

    pupil     Greet ──►                Confirm ──►
    teacher            ◄── Greet                   ◄── Confirm, or Refuse at either place

A code is good for ten minutes, three wrong proofs and one pupil. What is lost is sent again, and what comes twice gets
the same answer: that costs no try. The pupil proves first: a stranger learns of a guess only what a wrong try tells.
"""

from collections.abc import Callable
from dataclasses import dataclass
from os import urandom

from fingerlead.lesson.code import GOOD_FOR_US, TRIES
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.keys import Agreement, Keys, Role, check_installed
from fingerlead.lesson.packets import ATTEMPT, VERSION, Confirm, Greet, Refuse, Why, encode_packet

GREET_US = 500_000
# Greetings that one code answers in all, as each costs an agreement; of so many the latest may be proved.
MOST_GREETS = 20
LATEST_ATTEMPTS = 4

OLD = "this code is no longer good: it lasts ten minutes and serves one pupil; ask the teacher for a new one"
WRONG = "the code was wrong three times; ask the teacher for a new one"


@dataclass(slots=True)
class _Attempt:
    agreement: Agreement
    pupil: Greet
    teacher: Greet | None = None
    keys: Keys | None = None

    def finish(self) -> Keys:
        assert self.teacher is not None
        return self.agreement.finish(self.pupil, self.teacher)


class Meeting:
    """One end's part. `keys` once both have proved that they know the code; `refused` says why they will not.

    Raises NotInstalled.
    """

    def __init__(
        self,
        role: Role,
        secret: bytes,
        now_us: int,
        random: Callable[[int], bytes] = urandom,
        good_for_us: int = GOOD_FOR_US,
        versions: tuple[int, int] = (VERSION, VERSION),
    ) -> None:
        check_installed("spake2", "nacl")
        self.role = role
        self.keys: Keys | None = None
        self.refused = ""
        self.tries = TRIES
        self._secret, self._random, self._versions = secret, random, versions
        self._until_us = now_us + good_for_us
        self._greets = 0
        self._greeted_us: int | None = None
        self._attempts: dict[bytes, _Attempt] = {}
        self._met = b""  # the attempt that was proved; of the pupil, its own
        if role == "pupil":
            self._met = random(ATTEMPT)
            agreement = Agreement(role, secret, random)
            self._attempts[self._met] = _Attempt(agreement, Greet(self._met, *versions, agreement.message))

    def poll(self, now_us: int) -> list[bytes]:
        """What is to be sent now: of the pupil, what was not answered yet."""
        if self.keys is None and not self.refused and now_us > self._until_us:
            self.refused = "no answer in ten minutes; " + OLD if self.role == "pupil" else OLD
        if self.role == "teacher" or self.keys is not None or self.refused:
            return []
        if self._greeted_us is not None and now_us - self._greeted_us < GREET_US:
            return []
        self._greeted_us = now_us
        mine = self._attempts[self._met]
        if mine.keys is None:
            return [encode_packet(mine.pupil)]
        return [encode_packet(Confirm(self._met, mine.keys.proof()))]

    def receive(self, packet: Greet | Confirm | Refuse, now_us: int) -> list[bytes]:
        """Take in a packet; what is to be sent at once."""
        if self.role == "teacher":
            return [] if isinstance(packet, Refuse) else [encode_packet(self._answer(packet, now_us))]
        if self.keys is not None or self.refused or packet.attempt != self._met:
            return []
        self._hear(packet)
        # The proof goes at once.
        self._greeted_us = None
        return self.poll(now_us)

    def _hear(self, packet: Greet | Confirm | Refuse) -> None:
        """The pupil's side."""
        mine = self._attempts[self._met]
        if isinstance(packet, Refuse):
            self.refused = _refusal(packet, self._versions)
        elif isinstance(packet, Confirm):
            if mine.keys is not None and mine.keys.proves(packet.proof):
                self.keys = mine.keys
        elif mine.keys is None:
            if not _speak_alike((packet.lowest, packet.highest), self._versions):
                self.refused = _versions_differ((packet.lowest, packet.highest), self._versions)
                return
            mine.teacher = packet
            try:
                mine.keys = mine.finish()
            except LessonError as error:
                self.refused = str(error)

    def _answer(self, packet: Greet | Confirm, now_us: int) -> Greet | Confirm | Refuse:
        """The teacher's side."""
        known = self._attempts.get(packet.attempt)
        if self.keys is not None and packet.attempt == self._met and known is not None and known.teacher is not None:
            return known.teacher if isinstance(packet, Greet) else Confirm(packet.attempt, self.keys.proof())
        if self.tries <= 0 or self._greets >= MOST_GREETS:
            return self._refuse(packet, Why.TRIES)
        if self.keys is not None or self.refused or now_us > self._until_us:
            return self._refuse(packet, Why.USED)
        return self._greet(packet, known) if isinstance(packet, Greet) else self._prove(packet, known)

    def _greet(self, packet: Greet, known: _Attempt | None) -> Greet | Refuse:
        if known is not None and known.teacher is not None:
            return known.teacher
        if not _speak_alike((packet.lowest, packet.highest), self._versions):
            return self._refuse(packet, Why.VERSION)
        self._greets += 1
        agreement = Agreement("teacher", self._secret, self._random)
        attempt = _Attempt(agreement, packet, Greet(packet.attempt, *self._versions, agreement.message))
        try:
            attempt.keys = attempt.finish()
        except LessonError:
            return self._refuse(packet, Why.CODE)
        while len(self._attempts) >= LATEST_ATTEMPTS:
            del self._attempts[next(iter(self._attempts))]
        self._attempts[packet.attempt] = attempt
        assert attempt.teacher is not None
        return attempt.teacher

    def _prove(self, packet: Confirm, known: _Attempt | None) -> Confirm | Refuse:
        if known is None or known.keys is None:
            return self._refuse(packet, Why.USED)
        if known.keys.proves(packet.proof):
            self.keys, self._met = known.keys, packet.attempt
            return Confirm(packet.attempt, known.keys.proof())
        del self._attempts[packet.attempt]
        self.tries -= 1
        if self.tries <= 0:
            self.refused = WRONG
        return self._refuse(packet, Why.CODE)

    def _refuse(self, packet: Greet | Confirm, why: Why) -> Refuse:
        return Refuse(packet.attempt, why, max(self.tries, 0), *self._versions)


def _speak_alike(theirs: tuple[int, int], ours: tuple[int, int]) -> bool:
    return max(theirs[0], ours[0]) <= min(theirs[1], ours[1])


def _versions_differ(theirs: tuple[int, int], ours: tuple[int, int]) -> str:
    older = "this program" if ours[1] < theirs[0] else "the other one"
    return (
        f"expected a lesson of version {_span(ours)}, got one of version {_span(theirs)}; update fingerlead where "
        f"{older} runs"
    )


def _span(versions: tuple[int, int]) -> str:
    return str(versions[0]) if versions[0] == versions[1] else f"{versions[0]} to {versions[1]}"


def _refusal(packet: Refuse, ours: tuple[int, int]) -> str:
    if packet.why == Why.VERSION:
        return _versions_differ((packet.lowest, packet.highest), ours)
    if packet.why == Why.CODE and packet.left:
        left = "one try is" if packet.left == 1 else f"{packet.left} tries are"
        return f"the code is wrong; {left} left, so type it again"
    return WRONG if packet.why in (Why.CODE, Why.TRIES) else OLD
