"""Notifications as the loop sees them: what to write with a batch, what to do after it, how it stands.

Nothing here waits for anybody. Whatever goes wrong in here is told as an alarm, and control goes on.
"""

import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from supervisor.messages import AlarmStatus
from supervisor.settings import SiteFile
from supervisor.shell.clock import Clock
from supervisor.shell.logs import Log
from supervisor.shell.notify import calls as calling
from supervisor.shell.notify import store, transport, words
from supervisor.shell.notify.addresses import AddressError, Addresses
from supervisor.shell.notify.calls import Rules
from supervisor.shell.notify.heartbeat import Heartbeat
from supervisor.shell.notify.packing import Parcel, pack
from supervisor.shell.notify.roster import Roster
from supervisor.shell.notify.sender import AddressBook, Ended, Sender
from supervisor.shell.notify.store import Kept, Message, Statement
from supervisor.shell.troubles import Troubles
from supervisor.values import Now

ALIVE_S_MIN = 30.0
FORGET_EVERY_S = 3600.0
LOOK_EVERY_S = 1.0
BOOK_EVERY_S = 60.0


class Notifying(Protocol):
    """What the loop asks of it."""

    def start(self) -> None: ...

    def decide(self, alarms: list[AlarmStatus], now: Now) -> list[Statement]:
        """What has to be written with the batch in which these alarms were published."""
        ...

    def committed(self) -> None:
        """The batch is on disk: what it holds may leave."""
        ...

    def tell(self, troubles: Troubles) -> None: ...

    def stop(self, patience_s: float, now: Now) -> list[Statement]:
        """End, and what has to be written about what was sent until then."""
        ...


class Silent:
    """A site that tells nobody."""

    def start(self) -> None: ...

    def decide(self, alarms: list[AlarmStatus], now: Now) -> list[Statement]:
        return []

    def committed(self) -> None: ...

    def tell(self, troubles: Troubles) -> None:
        """An alarm of a run that told somebody ends here."""
        troubles.put("notification_failing", False)
        troubles.put("heartbeat_failing", False)

    def stop(self, patience_s: float, now: Now) -> list[Statement]:
        return []


class Notifier:
    """A site that tells people."""

    def __init__(
        self, site: SiteFile, rules: Rules, kept: Kept, instance: str, book: AddressBook, sender: Sender, clock: Clock, log: Log
    ) -> None:
        self._book = book
        self._site, self._rules, self._instance = site.site.name or site.site.id, rules, instance
        self._calls, self._sent, self._last_id = kept.calls, kept.sent, kept.last_id
        if kept.unreadable:
            log.error("notifications_unreadable", rows=kept.unreadable, detail="of another version; these calls begin anew")
        self._open = [one for one in kept.open if one.person in rules.notify.people]
        self._void = [one for one in kept.open if one.person not in rules.notify.people]
        for key in [key for key in self._calls.notes if key[0] not in rules.notify.people]:
            del self._calls.notes[key]
            self._calls.dirty_notes[key] = None
        self._sender, self._clock, self._log = sender, clock, log
        self._leaving: list[Message] = []
        self._broken = ""
        self._forget_s = -FORGET_EVERY_S
        self._look_mono_s = 0.0
        self._book_s = -BOOK_EVERY_S
        self._book_wrong = ""
        self.turned_s = clock.real_s()
        self.heartbeat: Heartbeat | None = None

    def start(self) -> None:
        self._sender.start()
        self._sender.put(self._open)
        if self._open:
            self._log.warning("notifications_sent_again", messages=len(self._open), detail="begun before the last end")
        if self.heartbeat is not None:
            self.heartbeat.start()

    def decide(self, alarms: list[AlarmStatus], now: Now) -> list[Statement]:
        statements = self._ended(now)
        if not alarms and now.mono_s < self._look_mono_s:
            return statements
        self._look_mono_s = now.mono_s + LOOK_EVERY_S
        for status in alarms:
            with self._guarded():
                calling.take(self._calls, self._rules, status, now)
        with self._guarded():
            calling.due(self._calls, self._rules, now)
            for parcel in pack(self._calls, self._rules.notify, self._sent, self._sender.stuck(), now):
                message = self._message(parcel, now)
                self._leaving.append(message)
                statements.append(store.begun(message))
            statements += store.changes(self._calls)
        return statements

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        """A mistake of ours must not end control. It is told as what it is: somebody may not have been notified."""
        try:
            yield
        except Exception as error:
            if not self._broken:
                self._log.error("notifications_broken", where=traceback.format_exc(limit=-5))
            self._broken = f"the program fails at it ({type(error).__name__}: {error}); watch the console"

    def committed(self) -> None:
        self.turned_s = self._clock.real_s()
        self._sender.put(self._leaving)
        self._leaving = []

    def tell(self, troubles: Troubles) -> None:
        self._look_into_book()
        failing = self._broken or self._book_wrong or self._sender.failing()
        if failing is not None:
            troubles.put("notification_failing", bool(failing), failing)
        beating = "" if self.heartbeat is None else self.heartbeat.failing()
        if beating is not None:
            troubles.put("heartbeat_failing", bool(beating), beating)

    def stop(self, patience_s: float, now: Now) -> list[Statement]:
        if self.heartbeat is not None:
            self.heartbeat.stop(0.0)
        self._sender.stop(patience_s)
        return self._ended(now)

    def _look_into_book(self) -> None:
        """Whether everybody who may be told has an address: better known now than when it matters."""
        if self._clock.real_s() - self._book_s < BOOK_EVERY_S:
            return
        self._book_s = self._clock.real_s()
        self._book_wrong = ""
        chains = self._rules.notify.chains
        named = [one for name in type(chains).model_fields if (chain := getattr(chains, name)) for one in chain.people]
        try:
            for person in dict.fromkeys(named):
                self._book(person)
        except AddressError as error:
            self._book_wrong = str(error)

    def _message(self, parcel: Parcel, now: Now) -> Message:
        self._last_id += 1
        number = store.number_of(self._instance, self._last_id)
        title = words.title(self._site, parcel)
        body = words.body(parcel, self._rules.roster, number)
        return Message(self._last_id, number, parcel.person, parcel.notes[0].priority, title, body, now.mono_s, now.wall_s)

    def _ended(self, now: Now) -> list[Statement]:
        statements: list[Statement] = [store.ended(one.id, "person_gone", now.wall_s) for one in self._void]
        self._void = []
        for one in self._sender.take():
            self._say(one)
            if one.way is None:
                statements.append(store.ended(one.message.id, one.how, now.wall_s))
            else:
                statements.append(store.way_ended(one.message.id, one.way, one.how))
        if statements and self._clock.real_s() - self._forget_s >= FORGET_EVERY_S:
            self._forget_s = self._clock.real_s()
            statements += store.forgotten(now.wall_s)
        return statements

    def _say(self, one: Ended) -> None:
        about = {"person": one.message.person, "number": one.message.number, "priority": one.message.priority}
        if one.way is not None and one.how == "sent":
            self._log.info("notification_sent", **about, way=one.way)
        elif one.how != "sent":
            self._log.error("notification_given_up", **about, way=one.way or "any")


def make(site: SiteFile, folder: Path, journal: Path, instance: str, clock: Clock, log: Log) -> Notifying:
    """For this site, with what lies in its journal. The addresses file is looked for in `folder`."""
    notify = site.notify
    if notify is None:
        return Silent()
    transport.ready()
    kept = store.load(journal, instance, clock.now().mono_s)
    book = Addresses(folder / notify.addresses_file).of
    sender = Sender(book, transport.send, clock.real_s)
    notifier = Notifier(site, Rules(notify, Roster(notify)), kept, instance, book, sender, clock, log)
    if notify.heartbeat is not None:
        age_s_max = max(ALIVE_S_MIN, 3 * site.timing.tick_s)
        notifier.heartbeat = Heartbeat(
            notify.heartbeat.url, notify.heartbeat.every_s, age_s_max, lambda: notifier.turned_s, clock.real_s
        )
    return notifier
