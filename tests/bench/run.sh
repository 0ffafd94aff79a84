#!/bin/sh
# Measure, one line a figure with its goal; ratios come from one run beside a minimal reference program.
#   sh tests/bench/run.sh [serial|tcp|calls|daemon ...]     without words: all of them, about eight minutes
# Only counts that are free of noise decide the exit status.
set -u
cd "$(dirname "$0")/../.." || exit 1
sh config/setup.sh test || exit 1
cmake --preset dev >/dev/null && cmake --build --preset dev -j "$(nproc)" >/dev/null || exit 1
bench=build/dev/bench failed=0
for part in ${*:-serial tcp calls daemon}; do
    case $part in
    serial) $bench/bus_serial ;;
    tcp) $bench/bus_tcp ;;
    calls) $bench/bus_calls ;;
    daemon) TAUT_PROGRAMS=build/dev/daemon TAUT_BENCH=$bench /usr/bin/python3 tests/bench/daemon.py ;;
    *)
        echo "usage: sh tests/bench/run.sh [serial|tcp|calls|daemon ...]" >&2
        exit 64
        ;;
    esac
    code=$?
    [ "$code" -eq 0 ] || [ "$code" -eq 77 ] || failed=1
done
exit $failed
