"""The demo: an embedded broker, the simulator and the supervisor as processes, and a live view made from their messages.

Started by `deploy/demo`, which sets up first. Ends by itself after `--for` seconds, or on Ctrl-C, with a summary.
"""

import argparse
import contextlib
import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console
from rich.live import Live

from deploy.brokers import BrokerError
from deploy.processes import TOP, Died, Processes
from deploy.view.levels import Level
from deploy.view.lines import news_line, standing_line
from deploy.view.listener import Listener
from deploy.view.picture import News, Picture
from deploy.view.screen import render
from deploy.view.summary import Run, as_text, summarise
from supervisor.caution import CAUTION
from supervisor.shell.authority.operators import OperatorsError
from supervisor.shell.clock import Pace, SystemClock
from supervisor.shell.console.arguments import positive
from supervisor.sitefile import SiteFileError, load

_LOOK_EVERY_S = 0.25
_STANDING_EVERY_S = 10.0


def main(argv: list[str] | None = None) -> int:
    """Exit status: 0 ended as asked, 1 a process died, 2 the command line or the site file is wrong."""
    args = _arguments(argv)
    try:
        site = load(args.site)
    except SiteFileError as error:
        print(error, file=sys.stderr)
        return 2
    picture = Picture(site)
    start_s = time.time()
    clock = SystemClock(pace=Pace(start_s, args.speed))
    with _folder(args.keep) as folder, _asked_to_end() as asked:
        processes = Processes(args.site.resolve(), folder, args.speed, start_s, args.seed)
        trouble = ""
        try:
            processes.start()
            _watch(picture, processes, clock, args, asked)
        except BrokenPipeError:  # whoever read our lines has gone, as in `deploy/demo | head`
            asked.append("its reader's end")
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        except (Died, BrokerError, OperatorsError, OSError) as error:
            trouble = str(error)
        finally:
            processes.stop()
    ended_by = "failure" if trouble else asked[0] if asked else "its time"
    run = Run(args.speed, time.time() - start_s, start_s, clock.now().wall_s, ended_by, processes.restarts)
    summary = summarise(picture, run)
    print("\n".join(as_text(summary)))
    if args.json is not None:
        args.json.write_text(json.dumps(summary, indent=2) + "\n", encoding="utf-8")
    if trouble:
        print(f"\n{trouble}", file=sys.stderr)
    return 1 if trouble else 0


def _watch(picture: Picture, processes: Processes, clock: SystemClock, args: argparse.Namespace, asked: list[str]) -> None:
    """Until the time is over or somebody asks to end. Raises what `Processes.tend` raises."""
    end_s = None if args.seconds is None else clock.real_s() + args.seconds
    how = f"To command it, at another terminal: {processes.console('stop', picture.site.enclosure[0].id)}"
    show = _OnScreen(picture, clock, how) if sys.stdout.isatty() else _AsLines(picture, clock, how)
    listener = Listener(picture.site.root, processes.broker.host, processes.broker.port)
    try:
        with show:
            while not asked and (end_s is None or clock.real_s() < end_s):
                news = [News(Level.HIGH, text) for text in processes.tend()]
                news += picture.link(listener.up)
                for topic, payload in listener.drain():
                    news += picture.take(topic, payload)
                picture.look_at_ages(clock.now().wall_s)
                show.update(news)
                time.sleep(_LOOK_EVERY_S)
    finally:
        listener.close()


class _OnScreen:
    """A live picture that fills the terminal."""

    def __init__(self, picture: Picture, clock: SystemClock, how: str) -> None:
        self._picture, self._clock, self._how = picture, clock, how
        self._console = Console()
        self._live = Live(console=self._console, auto_refresh=False, screen=True)
        self._latest = ""

    def update(self, news: list[News]) -> None:
        now_s = self._clock.now().wall_s
        if news:
            self._latest = news_line(news[-1], now_s)
        hint = f"Ctrl-C ends the demo.  {self._latest}\n{self._how}"
        self._live.update(render(self._picture, now_s, self._clock.speed, self._console.size, hint), refresh=True)

    def __enter__(self) -> None:
        self._live.start()

    def __exit__(self, *_: object) -> None:
        self._live.stop()


class _AsLines:
    """What changed, as it changes, and now and then how everything stands."""

    def __init__(self, picture: Picture, clock: SystemClock, how: str) -> None:
        self._picture, self._clock, self._how = picture, clock, how
        self._next_s = clock.real_s() + _STANDING_EVERY_S

    def update(self, news: list[News]) -> None:
        now_s = self._clock.now().wall_s
        for one in news:
            print(news_line(one, now_s), flush=True)
        if self._clock.real_s() >= self._next_s:
            self._next_s = self._clock.real_s() + _STANDING_EVERY_S
            print(standing_line(self._picture, now_s), flush=True)

    def __enter__(self) -> None:
        print(f"CAUTION: {CAUTION}")
        print(f"{self._picture.site.site.name}, {self._clock.speed:g} x real time; times are the site's, UTC")
        print(self._how, flush=True)

    def __exit__(self, *_: object) -> None:
        sys.stdout.flush()


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    """Where the processes keep their data and logs: gone afterwards, unless it is to be kept."""
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        yield keep.resolve()
        return
    with tempfile.TemporaryDirectory(prefix="stillhold-demo-") as made:
        yield Path(made)


@contextlib.contextmanager
def _asked_to_end() -> Iterator[list[str]]:
    """A list that the first Ctrl-C, SIGTERM or hang-up puts a word on. Later ones change nothing: ending is under way."""
    asked: list[str] = []
    words = {signal.SIGINT: "Ctrl-C", signal.SIGTERM: "SIGTERM", signal.SIGHUP: "hang-up"}
    before = {number: signal.signal(number, lambda n, _: asked.append(words[signal.Signals(n)])) for number in words}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _arguments(argv: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="deploy/demo",
        description="A simulated site: sealed, pulled down and held over real MQTT on this machine, watched live.",
        epilog=CAUTION,
        allow_abbrev=False,
    )
    parser.add_argument("site", type=Path, nargs="?", default=TOP / "config" / "quillfen.toml", metavar="SITE",
                        help="the site file (default: the example site)")  # fmt: skip
    parser.add_argument("--speed", type=positive, default=60.0, metavar="N",
                        help="times real time (default 60); faster than this machine can follow, its own delays look"
                        " like silent hardware and wrong clocks")  # fmt: skip
    parser.add_argument("--for", dest="seconds", type=positive, metavar="SECONDS", help="real time after which it ends")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the summary there too")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the processes' logs and data there")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the simulated noise (default 1)")
    args = parser.parse_args(argv)
    if args.json is not None and not args.json.absolute().parent.is_dir():
        parser.error(f"--json {args.json}: there is no folder {args.json.absolute().parent}; make it first")
    if args.keep is not None and args.keep.exists() and (not args.keep.is_dir() or any(args.keep.iterdir())):
        parser.error(f"--keep {args.keep}: must be a new or empty folder; an earlier run's state would be taken up again")
    return args


if __name__ == "__main__":
    sys.exit(main())
