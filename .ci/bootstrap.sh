#!/bin/sh
# sh .ci/bootstrap.sh run|test: make .venv and install the project into it, for running it or for testing it as well. Called by make.
# Of the system it needs Python 3.11 or newer with its venv module. A missing Debian package is installed as root or with
# passwordless sudo; otherwise the line that installs it is printed and nothing is changed.
set -eu
kind=${1:?run or test}
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

# Debian keeps the parts that make a .venv in a package of their own.
install_venv_module() {
    package=$("$1" -c 'import sys; print("python3.%d-venv" % sys.version_info[1])')
    line="apt-get install -y $package"
    as_root=""
    if ! command -v apt-get >/dev/null; then
        say "$1 cannot make a virtual environment (no module venv or ensurepip): install these for it, then run make again."
        exit 1
    elif [ "$(id -u)" != 0 ]; then
        if ! command -v sudo >/dev/null; then
            say "$package is missing, and this user may not install it. Run this, then make again:"
            say "    su -c \"apt-get update && $line\""
            exit 1
        elif ! sudo -n true 2>/dev/null; then
            say "$package is missing, and sudo asks for a password. Run this, then make again:"
            say "    sudo apt-get update && sudo $line"
            exit 1
        fi
        as_root="sudo -n"
    fi
    say "installing $package"
    export DEBIAN_FRONTEND=noninteractive
    # A bare machine has no package lists yet; one that has them need not fetch them.
    # shellcheck disable=SC2086  # words on purpose
    if ! { $as_root $line </dev/null || { $as_root apt-get update && $as_root $line </dev/null; }; } >&2; then
        say "This did not work. Run it yourself, then make again:  $as_root apt-get update && $as_root $line"
        exit 1
    fi
}

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
    test) what=".[test]" ;;
    *) say "bootstrap.sh $kind: give run or test"; exit 2 ;;
esac
say "installing the project into .venv"
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_USER=0
if ! .venv/bin/python -m pip install --quiet --editable "$what" </dev/null; then
    say "pip could not install the project: see its message above. It needs the Internet, or a package index of your own."
    exit 1
fi
printf %s "$place" >.venv/place
touch .venv/ready-run
if [ "$kind" = test ]; then touch .venv/ready-test; fi
