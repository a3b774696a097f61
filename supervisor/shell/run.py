"""`stillhold run`: puts the parts together in the right order and runs them.

Lock, journal, clock, a new epoch on disk, replay; only then does anything reach the broker.
"""

import argparse
import os
from pathlib import Path

from supervisor.messages import OperatorCommand, SupervisorStatus, at
from supervisor.settings import SiteFile
from supervisor.shell import logs
from supervisor.shell.authority.judge import Authority
from supervisor.shell.authority.operators import operators_file
from supervisor.shell.batch import EngineMaker
from supervisor.shell.canary import Canary
from supervisor.shell.clock import Pace, SystemClock, boot_id
from supervisor.shell.engine import Engine
from supervisor.shell.history import History, influx_poster
from supervisor.shell.identity import Identity, IdentityError, load_identity
from supervisor.shell.journal import Journal
from supervisor.shell.journal_file import JournalError
from supervisor.shell.loop import EXIT_FAILED, Loop, Parts
from supervisor.shell.notify import desk
from supervisor.shell.paho_bus import PahoBus
from supervisor.shell.paho_link import Address
from supervisor.shell.replay import restore
from supervisor.shell.signals import Stop
from supervisor.shell.will import Will
from supervisor.shell.wire import Decoder
from supervisor.shell.wire_out import Encoder
from supervisor.sitefile import load

INPUTS_REMEMBERED = 20_000  # of those before a start, so many are looked through for commands


def run(args: argparse.Namespace, make: EngineMaker = Engine) -> int:
    """Run the site of `args` until told to stop; the exit status. Raises SiteFileError when its file has errors."""
    site = load(args.site)
    stop = Stop()
    stop.listen()
    pace = None if args.start is None and args.speed == 1.0 else Pace(args.start, args.speed)
    log = logs.make(args.console, lambda: SystemClock(None, pace).now().wall_s)
    try:
        journal = Journal.open(args.state, site.site.id, boot_id())
    except JournalError as error:
        log.critical("journal_refused", error=str(error), exit_status=EXIT_FAILED)
        return EXIT_FAILED
    try:
        clock = SystemClock(journal.last, pace)
        log = logs.make(args.console, lambda: clock.now().wall_s)
        return _loop(args, site, journal, clock, log, stop, make).run()
    except (JournalError, SecretError, IdentityError) as error:
        log.critical("not_started", error=str(error), exit_status=EXIT_FAILED)
        return EXIT_FAILED
    finally:
        journal.close()
        stop.close()


def _loop(
    args: argparse.Namespace,
    site: SiteFile,
    journal: Journal,
    clock: SystemClock,
    log: logs.Log,
    stop: Stop,
    make: EngineMaker,
) -> Loop:
    folder = args.site.resolve().parent
    password = secret(folder, site.broker.password_file, "broker.password_file")
    identity = _identity(site, folder)
    history = _history(site, folder, journal, clock)
    decoder, encoder = Decoder(site), Encoder(site.root)
    epoch = journal.next_epoch()
    log.info("starting", site=site.site.id, epoch=epoch, instance=journal.instance, speed=clock.speed, pid=os.getpid())
    engine = restore(make, site, journal, decoder, log)
    started_at = at(clock.now().wall_s)
    will = Will(encoder, SupervisorStatus(online=False, instance=journal.instance, epoch=epoch, started_at=started_at))
    address = Address(
        host=args.host or site.broker.host,
        port=args.port or site.broker.port,
        keepalive_s=site.broker.keepalive_s,
        client_id=f"stillhold-{site.site.id}-supervisor-{journal.instance}" if identity is None else identity.name,
        username=site.broker.username,
        password=password,
        context=None if identity is None else identity.context,
    )
    echo_topic = f"{site.root}/supervisor/echo/{journal.instance}"
    canary = None if identity is None else Canary(site, journal.instance)
    filters = decoder.filters + ([] if canary is None else [canary.topic])
    bus = PahoBus(address, filters, echo_topic, site.broker.echo_timeout_s, will, clock, stop.wake)
    authority = _authority(args.operators, site, folder, journal, clock, log)
    notify = desk.make(site, folder, journal.path, journal.instance, clock, log)
    parts = Parts(engine, journal, bus, decoder, encoder, clock, log, stop, will, history, authority, notify, canary)
    return Loop(parts, site.timing.tick_s, epoch)


def _identity(site: SiteFile, folder: Path) -> Identity | None:
    return None if site.broker.identities is None else load_identity(folder / site.broker.identities, "supervisor")


def _authority(
    given: Path | None, site: SiteFile, folder: Path, journal: Journal, clock: SystemClock, log: logs.Log
) -> Authority | None:
    path = operators_file(site, folder, given)
    if path is None:
        words = "ANYBODY AT THE BROKER CAN COMMAND THIS SITE: its file has no table operators, so commands are taken unsigned"
        log.warning("commands_unsigned", detail=words)
        return None
    authority = Authority(path, site.site.id, clock.speed)
    recent = (row for _, row in journal.inputs_after(max(0, journal.seq - INPUTS_REMEMBERED)))
    authority.remember(recent, f"{site.root}/{OperatorCommand.TOPIC}")
    return authority


def _history(site: SiteFile, folder: Path, journal: Journal, clock: SystemClock) -> History | None:
    if site.history is None:
        return None
    token = secret(folder, site.history.token_file, "history.token_file")
    post = influx_poster(site.history.url, site.history.org, site.history.bucket, token)
    return History(journal.path, post, clock.real_s, journal.history_first_id - 1)


class SecretError(Exception):
    """A file with a password or token that cannot be read."""


def secret(folder: Path, name: str | None, key: str) -> str | None:
    """The first line of a secret's file, looked for beside the site file. Raises SecretError naming the key."""
    if name is None:
        return None
    path = folder / name
    try:
        return path.read_text(encoding="utf-8").splitlines()[0].strip()
    except (OSError, UnicodeDecodeError, IndexError) as error:
        raise SecretError(f"{key}: {path} cannot be read ({error}); put the secret on its first line") from error
