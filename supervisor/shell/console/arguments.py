"""What several commands take, checked by the command line itself. Imports nothing heavy: `--help` is quick."""

import argparse
from pathlib import Path


def positive(text: str) -> float:
    number = seconds(text)
    if number <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not above 0")
    return number


def seconds(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number") from None
    if not 0 <= number < 1e11:  # also false for nan
        raise argparse.ArgumentTypeError(f"{text!r} is not between 0 and 1e11")
    return number


def port(text: str) -> int:
    if not (text.isdecimal() and 1 <= int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"{text!r} is no port from 1 to 65535")
    return int(text)


def names(text: str) -> list[str]:
    """`A,B` as a list. Refuses an empty name."""
    listed = [one.strip() for one in text.split(",")]
    if not all(listed):
        raise argparse.ArgumentTypeError(f"{text!r} is no list of names such as A,B")
    return listed


def count(text: str) -> int:
    if not (text.isdecimal() and len(text) < 16):
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number")
    return int(text)


def add_site(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE", help="the site file")


def add_pace(parser: argparse.ArgumentParser) -> None:
    """Scaled time, and where the broker is."""
    parser.add_argument("--speed", type=positive, default=1.0, metavar="N", help="times real time (default 1)")
    parser.add_argument(
        "--start", type=seconds, metavar="UNIX_S", help="with --speed: the time that the scaled clock started from"
    )
    parser.add_argument("--host", help="broker, instead of the site file's")
    parser.add_argument("--port", type=port, help="broker's port, instead of the site file's")


def add_person(parser: argparse.ArgumentParser) -> None:
    """For the commands of a person at a terminal: where the site is spoken to, and how it is told."""
    add_pace(parser)
    parser.add_argument("--wait", type=positive, default=15.0, metavar="S", help="real seconds to wait (default 15)")
    parser.add_argument("--json", action="store_true", help="as JSON")


def add_key(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--key", type=Path, metavar="FILE", help="your key file (default: STILLHOLD_KEY, or SITE-ID.key in your config folder)"
    )
