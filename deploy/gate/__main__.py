"""`deploy/certificates` and `deploy/broker-config`: what a site's broker is guarded by."""

import argparse
import datetime
import sys
from collections.abc import Sequence
from pathlib import Path

from deploy.gate.certificates import WARN_WITHIN_DAYS, CertificateError, all_ends, make
from deploy.gate.configs import write
from deploy.gate.gated import gate_of
from deploy.gate.rules import rules
from supervisor.settings import SiteFile
from supervisor.sitefile import SiteFileError, load

DONE, SOON, WRONG = 0, 1, 2


def main(argv: Sequence[str]) -> int:
    args = _parser().parse_args(argv)
    try:
        site = load(args.site)
        return args.carry_out(args, site, _folder(args.site, site))
    except (SiteFileError, CertificateError, OSError) as error:
        print(f"{args.prog}: {error}", file=sys.stderr)
        return WRONG


def _folder(path: Path, site: SiteFile) -> Path:
    if site.broker.identities is None:
        raise CertificateError(f'{path}: broker.identities is missing: add identities = "identities", a folder beside the file')
    return path.resolve().parent / site.broker.identities


def _certificates(args: argparse.Namespace, site: SiteFile, folder: Path) -> int:
    now = datetime.datetime.now(datetime.UTC)
    if not args.check:
        made = make(folder, site.site.id, [site.broker.host, *args.host], rules(site), now)
        print(f"made: {', '.join(made)}" if made else "nothing had to be made")
    soon = 0
    for one in all_ends(folder):
        left = one.days_left(now)
        soon += left < WARN_WITHIN_DAYS
        mark = "ENDED" if left < 0 else "ENDS SOON" if left < WARN_WITHIN_DAYS else ""
        print(f"{one.who:<24} until {one.at:%Y-%m-%d} ({left:.0f} days) {mark}".rstrip())
    if soon:
        print(f"{soon} end within {WARN_WITHIN_DAYS} days: run deploy/certificates and bring each to its device")
    if (folder / "ca.key").exists():
        print(f"{folder / 'ca.key'} makes identities: keep it away from the controller, and bring it back to renew")
    return SOON if soon else DONE


def _config(args: argparse.Namespace, site: SiteFile, folder: Path) -> int:
    gate = gate_of(site, folder, args.data or args.to / "data", args.listen, site.broker.port)
    print(write(args.kind, gate, args.to, args.user))
    return DONE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="deploy", description=__doc__, allow_abbrev=False)
    commands = parser.add_subparsers(required=True)
    ids = commands.add_parser("certificates", prog="deploy/certificates", allow_abbrev=False, description="Make a site's "
                              "identities, renew those that end within 60 days, and list when each ends. Exit status 1 when "
                              "one ends within 30 days.")  # fmt: skip
    ids.add_argument("site", type=Path, metavar="SITE", help="the site file")
    ids.add_argument("--host", action="append", default=[], help="one more name or address that the broker is reached by")
    ids.add_argument("--check", action="store_true", help="make nothing, only list")
    ids.set_defaults(carry_out=_certificates, prog="deploy/certificates")
    config = commands.add_parser("broker-config", prog="deploy/broker-config", allow_abbrev=False,
                                 description="Write the broker's complete configuration, and print its path.")  # fmt: skip
    config.add_argument("site", type=Path, metavar="SITE", help="the site file")
    config.add_argument("kind", choices=("mosquitto", "nats"))
    config.add_argument("--to", type=Path, required=True, metavar="DIR", help="where the configuration goes")
    config.add_argument("--data", type=Path, metavar="DIR", help="where the broker keeps its data (default: data in there)")
    config.add_argument("--listen", default="127.0.0.1", metavar="ADDRESS",
                        help="where it listens (default 127.0.0.1; 0.0.0.0 for gateways on the network)")  # fmt: skip
    config.add_argument("--user", default="mosquitto", help="what mosquitto runs as when root starts it (default mosquitto)")
    config.set_defaults(carry_out=_config, prog="deploy/broker-config")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
