#!/bin/sh
# sh .ci/package.sh: wheel and source distribution into dist/, and each way to use them tried in a new environment outside this
# folder: the newest dependencies with every Python from 3.11 on that is here, and the oldest ones with the oldest of these.
# Called by `make package`. PYTHON="python3.12 python3.13" chooses which; TESTS="tests/core" runs these as well.
set -eu
cd "$(dirname "$0")/.."
repository=$(pwd -P)
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_USER=0

say() { printf '%s\n' "$*" >&2; }

# One name a minor version. Each is started: a name on the PATH may be a stub.
pythons=""
for name in ${PYTHON:-python3.11 python3.12 python3.13}; do
    if "$name" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
        pythons="$pythons $name"
    else
        say "$name is not here, or cannot make a virtual environment: not tried"
    fi
done
if [ -z "$pythons" ]; then
    say "No Python from 3.11 on that can make a virtual environment: install python3-venv, or give PYTHON=/path/to/python3"
    exit 1
fi
first=${pythons# }
first=${first%% *}

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT INT TERM

say "building with $("$first" --version)"
"$first" -m venv "$work/build"
"$work/build/bin/pip" install --quiet build </dev/null
rm -rf build dist
"$work/build/bin/python" -m build . >"$work/build.log" 2>&1 || { cat "$work/build.log" >&2; exit 1; }
rm -rf build
ls dist >&2

# use PYTHON CONSTRAINTS WHAT: installs WHAT and runs the program as a user would, from an empty folder.
use() {
    rm -rf "$work/use" "$work/empty"
    mkdir "$work/empty"
    "$1" -m venv "$work/use"
    # shellcheck disable=SC2086  # words on purpose
    "$work/use/bin/pip" install --quiet $2 "$3" </dev/null
    (
        cd "$work/empty"
        program="$work/use/bin/quietfloor"
        "$program" --version
        "$program" doctor --json >doctor.json
        "$program" session --help >/dev/null
        "$program" rig --write-tables bench >/dev/null
        test -s bench/virtual-earphone.toml
        "$program" stimulus --stimulus octave-chirp --frequency-hz 1000 --plot chirp.png --json >stimulus.json
        "$program" demo --no-window --only hearing --speed 8 --out demo
        "$program" report demo --marks --table stapells-2000 >/dev/null
        "$program" demo --teach --no-window >/dev/null
        for name in stimuli monitor bench; do
            test ! -e "$("$work/use/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')/$name"
        done
    ) </dev/null
    if [ -n "${TESTS:-}" ]; then
        # shellcheck disable=SC2086  # words on purpose
        "$work/use/bin/pip" install --quiet $2 pytest pytest-timeout pytest-xdist hypothesis pyxdf edfio pyedflib </dev/null
        mkdir "$work/source"
        tar -xzf dist/*.tar.gz --strip-components 1 -C "$work/source"
        # shellcheck disable=SC2086  # words on purpose
        (cd "$work/source" && rm -rf stimuli monitor bench .ci/view && "$work/use/bin/python" -m pytest -n 2 --dist loadfile $TESTS </dev/null)
        rm -rf "$work/source"
    fi
}

for python in $pythons; do
    say "the wheel, newest dependencies, $("$python" --version)"
    use "$python" "" "$(echo dist/*.whl)"
done
say "the source distribution, newest dependencies, $("$first" --version)"
TESTS="" use "$first" "" "$(echo dist/*.tar.gz)"
say "the wheel, oldest dependencies, $("$first" --version)"
use "$first" "--constraint $repository/tests/constraints-oldest.txt" "$(echo dist/*.whl)"
say "all of them work"
