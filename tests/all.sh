#!/bin/sh
# Installs what the tests need on a Debian 12 machine, then runs every check.
# As root, or where sudo works, the Debian packages are installed as well.
set -eu
cd "$(dirname "$0")/.."

root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }

missing=
for package in systemd indi-bin astrometry.net astrometry-data-tycho2 fitsverify source-extractor; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'ok installed' ||
        missing="$missing $package"
done
if [ -n "$missing" ]; then
    root apt-get update -qq
    # shellcheck disable=SC2086  # a list of package names
    root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq $missing
fi

if ! dpkg-query -W -f '${Status}' chromium 2>/dev/null | grep -q 'ok installed'; then
    # For the test of the page. What it recommends is a desktop, three times its size.
    root apt-get update -qq
    root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends chromium
fi

[ -x .uv/bin/uv ] || { python3 -m venv .uv && .uv/bin/pip install -q uv; }
run() { echo "== $*" && .uv/bin/uv run --locked "$@"; }

run ruff check
run ruff format --check
run mypy
run lint-imports
# One file to a worker: nights are shared within a file. Three for a core: most of those that begin
# with servers wait.
run pytest -n 6 --dist loadfile --no-loadscope-reorder "$@"
run python tests/benchmarks/stars.py --quick --limits
run python tests/benchmarks/rule_times.py --limits
