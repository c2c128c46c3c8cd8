# Sourced by the other scripts, after ROOT is set. Makes .venv beside the package and
# installs stormplan into it; does nothing when nothing has changed. POSIX sh.
set -eu
BIN=$ROOT/.venv/bin
CONSTRAINTS=$ROOT/scripts/constraints.txt

say() { printf 'stormplan: %s\n' "$*" >&2; }

find_python() { # a version manager's shim may exist and still fail, so each is tried by running it
    for name in python3.14 python3.13 python3.12 python3.11 python3; do
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$name"
            return
        fi
    done
    say "needs Python 3.11 or newer on the PATH"
    exit 1
}

need_venv_module() { # Debian and Ubuntu package it apart from python3
    "$1" -c 'import ensurepip' 2>/dev/null && return
    package=$("$1" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null 2>&1; then
        say "Python's venv module is missing; on Debian or Ubuntu run:  sudo apt-get install $package"
        exit 1
    fi
    say "installing $package"
    export DEBIAN_FRONTEND=noninteractive
    apt-get install -y -qq "$package" >/dev/null 2>&1 || {
        apt-get update -qq >/dev/null
        apt-get install -y -qq "$package" >/dev/null
    }
}

make_venv() {
    say "making .venv (first run only)"
    rm -rf "$ROOT/.venv"
    if command -v uv >/dev/null 2>&1; then
        uv venv --quiet --python '>=3.11' "$ROOT/.venv"
    else
        python=$(find_python)
        need_venv_module "$python"
        "$python" -m venv "$ROOT/.venv"
    fi
}

install() { # install ''  or  install '[test]'
    want=$(cat "$ROOT/pyproject.toml" "$CONSTRAINTS" | cksum)
    stamp=$ROOT/.venv/.installed$1
    if "$BIN/python" -c '' 2>/dev/null && [ "$(cat "$stamp" 2>/dev/null)" = "$want" ]; then
        return
    fi
    # an environment that uv made has no pip of its own: make it anew where uv has gone
    command -v uv >/dev/null 2>&1 && has=-c\ pass || has='-m pip --version'
    # shellcheck disable=SC2086  # two words on purpose
    "$BIN/python" $has >/dev/null 2>&1 || make_venv
    say "installing packages (first run, or pins changed)"
    if command -v uv >/dev/null 2>&1; then
        uv pip install --quiet --python "$BIN/python" -c "$CONSTRAINTS" -e "$ROOT$1"
    else
        "$BIN/python" -m pip install --quiet --disable-pip-version-check -c "$CONSTRAINTS" -e "$ROOT$1"
    fi
    echo "$want" >"$stamp"
}
