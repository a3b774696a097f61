# Sourced by the scripts beside it: where things are, how to speak, how to get a Debian package.
# shellcheck shell=bash

top=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
venv=${STILLHOLD_VENV:-$top/.venv}
case $venv in /*) ;; *) venv=$PWD/$venv ;; esac
export STILLHOLD_VENV=$venv  # the scripts call one another from other folders

say() { printf '%s: %s\n' "${0##*/}" "$*" >&2; }
fail() { say "$*"; exit 1; }

# debian_package NAME WHAT_FOR: installs NAME, or ends with a message that says how. Its service, if it has one, is neither
# started now nor at the next boot: we want the program only, and never touch port 1883.
debian_package() {
    local name=$1 what_for=$2 policy=/usr/sbin/policy-rc.d
    local by_hand="install it with 'apt-get install $name' and run this again"
    command -v apt-get > /dev/null || fail "$what_for needs the package $name, and this system has no apt-get; install its like by hand"
    [ "$(id -u)" = 0 ] || fail "$what_for needs the Debian package $name; as root, $by_hand"
    say "installing the Debian package $name ($what_for)"
    (
        if [ ! -e "$policy" ]; then
            trap 'rm -f "$policy"' EXIT
            printf '#!/bin/sh\nexit 101\n' > "$policy"
            chmod 755 "$policy"
        fi
        _apt update && _apt install --yes --no-install-recommends "$name"
    ) || fail "apt-get could not install $name; see above, then $by_hand"
    if [ -d /run/systemd/system ]; then
        systemctl --quiet disable "$name.service" 2> /dev/null || true
    fi
}

# Says nothing unless it fails.
_apt() {
    local said
    said=$(DEBIAN_FRONTEND=noninteractive apt-get --quiet --quiet -o DPkg::Lock::Timeout=120 -o Dpkg::Use-Pty=0 "$@" \
        < /dev/null 2>&1) || { printf '%s\n' "$said" >&2; return 1; }
}
