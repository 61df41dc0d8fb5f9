# Sourced by deploy/demo and tests/run: makes .venv with pinned packages, once for each state of the pins.
# environment [EXTRA] : EXTRA is an optional dependency group of pyproject.toml, such as test or dev.

find_python() {
    for name in python3 python3.13 python3.12 python3.11; do
        if command -v "$name" >/dev/null 2>&1 &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$name"
            return
        fi
    done
    echo "python 3.11 or newer was not found; install python3 with its venv module" >&2
    return 1
}

environment() {
    extra="${1:-}"
    python="$(find_python)"
    wanted="$(cat pyproject.toml deploy/constraints.txt | cksum) $extra"
    if [ "$(cat .venv/pins 2>/dev/null)" = "$wanted" ]; then
        return
    fi
    if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
        echo "$python has no venv module; on Debian: apt-get install python3-venv" >&2
        return 1
    fi
    echo "making .venv with pinned packages (once)" >&2
    "$python" -m venv .venv
    .venv/bin/python -m pip install --quiet --disable-pip-version-check \
        --constraint deploy/constraints.txt --editable ".${extra:+[$extra]}"
    echo "$wanted" >.venv/pins
}
