#!/bin/sh
# sh .ci/bootstrap.sh run|test|docs: make .venv and install the project into it, for running it, for testing it as well, or for making
# the site of its pages. Called by make.
# Of the system it needs Python 3.11 or newer with its venv module; for tests of sound cards PortAudio and a JACK server too. A missing
# Debian package is installed as root or with passwordless sudo; otherwise the line that installs it is printed.
set -eu
kind=${1:?run, test or docs}
cd "$(dirname "$0")/.."

say() { printf '%s\n' "$*" >&2; }

new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }
can_make_venv() { "$1" -c 'import venv, ensurepip' >/dev/null 2>&1; }

# The newest Python that can make a .venv at once, else the newest of all. Each is tried: a name on the PATH may be a stub.
find_python() {
    for test in can_make_venv true; do
        for name in ${PYTHON:-python3.14 python3.13 python3.12 python3.11 python3 python}; do
            if new_enough "$name" && "$test" "$name"; then
                printf '%s\n' "$name"
                return
            fi
        done
    done
    if [ -n "${PYTHON:-}" ]; then
        say "PYTHON = $PYTHON is not a Python 3.11 or newer that can be started."
    else
        say "No Python 3.11 or newer was found (tried python3.14 down to python3.11, python3 and python)."
    fi
    say "Debian 12, Ubuntu 24.04 and newer:  sudo apt-get install -y python3 python3-venv"
    say "Elsewhere: https://www.python.org/downloads/ , then  make PYTHON=/path/to/python3 demo"
    exit 1
}

# install_packages PACKAGE...: as root, or with passwordless sudo. Status 1: not installed, and the line that does it was said.
install_packages() {
    line="apt-get install -y --no-install-recommends $*"
    as_root=""
    if [ "$(id -u)" != 0 ]; then
        if ! command -v sudo >/dev/null; then
            say "$* missing, and this user may not install it:"
            say "    su -c \"apt-get update && $line\""
            return 1
        elif ! sudo -n true 2>/dev/null; then
            say "$* missing, and sudo asks for a password:"
            say "    sudo apt-get update && sudo $line"
            return 1
        fi
        as_root="sudo -n"
    fi
    say "installing $*"
    # A bare machine has no package lists yet; one that has them need not fetch them.
    # shellcheck disable=SC2086  # words on purpose
    if ! { $as_root env DEBIAN_FRONTEND=noninteractive $line </dev/null ||
        { $as_root apt-get update && $as_root env DEBIAN_FRONTEND=noninteractive $line </dev/null; }; } >&2; then
        say "This did not work. Run it yourself:  $as_root apt-get update && $as_root $line"
        return 1
    fi
}

# Debian keeps the parts that make a .venv in a package of their own.
install_venv_module() {
    if ! command -v apt-get >/dev/null; then
        say "$1 cannot make a virtual environment (no module venv or ensurepip): install these for it, then run make again."
        exit 1
    fi
    if ! install_packages "$("$1" -c 'import sys; print("python3.%d-venv" % sys.version_info[1])')"; then
        say "Then run make again."
        exit 1
    fi
}

# Tests send sound through PortAudio to a JACK server without hardware. Without both they are left out, so nothing ends here.
install_sound_loop() {
    loads='import ctypes, sys; [ctypes.CDLL(name) for name in ("libportaudio.so.2", "libjack.so.0")]'
    if command -v jackd >/dev/null && .venv/bin/python -c "$loads" 2>/dev/null; then
        return
    fi
    if ! command -v apt-get >/dev/null || ! install_packages libportaudio2 jackd2; then
        say "Tests of sound cards will be left out: they need PortAudio and a JACK server (jackd)."
    fi
}

# Tests open the window, in memory and on a screen of their own (Xvfb). Without these libraries they are left out.
install_screen() {
    plugin=$(find .venv -name libqxcb.so -path '*platforms*' | head -n 1)
    if command -v Xvfb >/dev/null && [ -n "$plugin" ] && ! ldd "$plugin" | grep -q 'not found' &&
        QT_QPA_PLATFORM=offscreen .venv/bin/python -c 'from PyQt5.QtWidgets import QApplication; QApplication([])' 2>/dev/null; then
        return
    fi
    # shellcheck disable=SC2086  # words on purpose
    if ! command -v apt-get >/dev/null || ! install_packages $QT_PACKAGES; then
        say "Tests of the window will be left out where its libraries are missing: see \`quietfloor doctor\`."
    fi
}
QT_PACKAGES="libgl1 libglib2.0-0 libfontconfig1 libdbus-1-3 libxkbcommon-x11-0 libxcb-icccm4 libxcb-image0 libxcb-keysyms1
    libxcb-randr0 libxcb-render-util0 libxcb-shape0 libxcb-xinerama0 libxcb-xkb1 libxcb-shm0 libxcb-sync1 libxcb-xfixes0
    libx11-xcb1 xvfb xauth"

place=$(pwd -P)
if [ "$(cat .venv/place 2>/dev/null || printf %s "$place")" != "$place" ] || ! new_enough .venv/bin/python ||
    ! .venv/bin/python -m pip --version >/dev/null 2>&1; then
    python=$(find_python)
    can_make_venv "$python" || install_venv_module "$python"
    say "making .venv with $("$python" --version)"
    rm -rf .venv
    "$python" -m venv .venv
fi

case $kind in
    run) what=. ;;
    test | docs) what=".[$kind]" ;;
    *) say "bootstrap.sh $kind: give run, test or docs"; exit 2 ;;
esac
say "installing the project into .venv"
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_USER=0
if ! .venv/bin/python -m pip install --quiet --editable "$what" </dev/null; then
    say "pip could not install the project: see its message above. It needs the Internet, or a package index of your own."
    exit 1
fi
printf %s "$place" >.venv/place
touch .venv/ready-run
if [ "$kind" = test ]; then
    install_sound_loop
    install_screen
fi
touch ".venv/ready-$kind"
