"""A start goes on where the last run stopped: the newest snapshot, then every input after it, effects thrown away."""

from supervisor.settings import SiteFile
from supervisor.shell.batch import Engine, EngineMaker
from supervisor.shell.journal import Journal
from supervisor.shell.journal_file import JournalError
from supervisor.shell.logs import Log
from supervisor.shell.records import UnknownRecord, to_event
from supervisor.shell.retrace import written
from supervisor.shell.wire import Decoder, Refused


def restore(make: EngineMaker, site: SiteFile, journal: Journal, decoder: Decoder, log: Log) -> Engine:
    """The engine as it was after the last committed input. Raises JournalError when it cannot be brought back."""
    snapshot = journal.newest_snapshot()
    try:
        engine = make(site) if snapshot is None else make.load(site, snapshot.blob)
    except Exception as error:
        raise JournalError(
            f"{journal.path}: its newest snapshot cannot be read by this version ({type(error).__name__}: {error}); "
            "run the version that wrote it"
        ) from error
    replayed = skipped = 0
    for seq, row in journal.inputs_after(0 if snapshot is None else snapshot.seq):
        try:
            event = to_event(row, decoder)
            if isinstance(event, Refused):
                skipped += 1
                continue
            engine.step(event)
        except UnknownRecord as error:
            raise JournalError(f"{journal.path}, input {seq}: {error}; run the version that wrote it") from error
        except Exception as error:
            raise JournalError(
                f"{journal.path}, input {seq} ({row.kind} {row.topic}): the engine fails on it "
                f"({type(error).__name__}: {error}); every valve is left to shut by itself. Keep the state folder for "
                "whoever mends the program, and go on with the version before, or with an empty state folder"
            ) from error
        replayed += 1
    settings = written.settings_text(site)
    journal.begins(0 if snapshot is None else snapshot.seq, (written.sha256_of(settings), settings), written.program())
    log.info("restored", inputs_replayed=replayed, inputs_skipped=skipped, from_snapshot=snapshot is not None)
    return engine
