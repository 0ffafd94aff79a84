#!/bin/sh
# Two parts of the Skerry Boatyard on a simulated bench, in two minutes: a tight rudder blade, and a foil shell that
# leaks, is sealed, passes, and springs a leak while it is filled.
#   sh config/demo/run.sh            then keeps the page until Ctrl-C
#   sh config/demo/run.sh --no-wait  ends at once; exit 0 only when every verdict and the alarm came out right
# TAUT_DEMO_PAGE (8470), TAUT_DEMO_MODBUS (1502): other ports.  TAUT_DEMO_SPEED (20): simulated seconds per second.
set -u
cd "$(dirname "$0")/../.." || exit 1

stay=yes
case "${1:-}" in
'') ;;
--no-wait) stay=no ;;
*) echo "usage: sh config/demo/run.sh [--no-wait]" >&2; exit 64 ;;
esac
page=${TAUT_DEMO_PAGE:-8470} modbus=${TAUT_DEMO_MODBUS:-1502} speed=${TAUT_DEMO_SPEED:-20}

programs=$PWD/build/demo/daemon
state= run= sim= daemon= story_a= story_b=

say() { printf '%s\n' "$*"; }

finish() { # exit status
    trap - INT TERM EXIT
    for pid in $story_a $story_b $daemon $sim; do
        kill "$pid" 2>/dev/null
        wait "$pid" 2>/dev/null
    done
    [ -n "$run" ] && rm -rf "$run"
    exit "$1"
}
trap 'finish 130' INT TERM
trap 'finish 1' EXIT

# ---- install, build, start ------------------------------------------------------------------------------------------

sh config/setup.sh demo || exit 1
say "building into build/demo"
mkdir -p build/demo
state=$(mktemp -d "$PWD/build/demo/state.XXXXXX") || exit 1 # new each time: an earlier demo may have left a part open
log=$PWD/build/demo/build.log
cmake -S . -B build/demo -G Ninja -DCMAKE_BUILD_TYPE=Release -DTAUT_TESTS=OFF -DTAUT_WERROR=OFF >"$log" 2>&1 &&
    cmake --build build/demo >>"$log" 2>&1 || { tail -n 30 "$log"; say "the build failed; all of it: $log"; exit 1; }

run=$(mktemp -d /tmp/taut-demo.XXXXXX) || exit 1 # short: a socket's path has at most 107 bytes
sed -e "s|@state@|$state|" -e "s|@run@|$run|" -e "s|@page@|$page|" -e "s|@modbus@|$modbus|" config/demo/taut.yaml >"$run/taut.yaml"

# Wait at most 20 s until a started program is there.
ready() { # pid, name, log, test...
    pid=$1 name=$2 text=$3 tries=0
    shift 3
    until "$@"; do
        tries=$((tries + 1))
        if [ $tries -gt 200 ] || ! kill -0 "$pid" 2>/dev/null; then
            cat "$text"
            say "$name did not start"
            exit 1
        fi
        sleep 0.1
    done
}

"$programs/tautsim" --port "$modbus" --speed "$speed" --control "$run/sim.sock" config/demo/bench.yaml \
    >"$run/tautsim.log" 2>&1 </dev/null &
sim=$!
ready $sim tautsim "$run/tautsim.log" grep -qs ready "$run/tautsim.log"
"$programs/tautd" --config "$run/taut.yaml" --sim-speed "$speed" >"$run/tautd.log" 2>&1 </dev/null &
daemon=$!
ready $daemon tautd "$run/tautd.log" test -S "$run/taut.sock"

say "two benches, $speed times as fast as real; page: http://127.0.0.1:$page"
say "parts: $state/parts"

# ---- the stories ----------------------------------------------------------------------------------------------------

ctl() { "$programs/tautctl" --socket "$run/taut.sock" "$@" >/dev/null; }
bench() { "$programs/tautsim" ctl "$run/sim.sock" "$@"; }
simulated() { sleep "$(awk "BEGIN { print $1 / $speed }")"; }

# What a station says about itself; the second argument is a jq expression on it.
ask() { "$programs/tautctl" --socket "$run/taut.sock" status --json | jq -r ".stations[] | select(.name == \"$1\") | $2"; }

# Wait until the expression is true, at most so many real seconds.
until_true() { # station, jq expression, seconds, what
    tries=0
    until [ "$(ask "$1" "$2")" = true ]; do
        tries=$((tries + 1))
        if [ $tries -gt $(($3 * 5)) ]; then
            say "$1: waited $3 s in vain for $4; the daemon's last words:"
            tail -n 3 "$run/tautd.log"
            return 1
        fi
        sleep 0.2
    done
}

rate='if .rate_mbar_per_min then (.rate_mbar_per_min * 100 | round / 100 | tostring) + " mbar/min" else "no rate" end'
calling='[.alarms[] | select(.calls)]'

verdict() { # station, part, number of the test, wanted
    until_true "$1" ".tests_run == $3" 60 "the verdict of drop test $3" || return 1
    got=$(ask "$1" .verdict)
    say "$1 $2: drop test $3: $got, $(ask "$1" "$rate"), limit $(ask "$1" .limit_mbar_per_min) mbar/min"
    [ "$got" = "$4" ] || { say "$1 $2: WRONG, should be $4"; return 1; }
}

no_alarm() { # station, part
    [ "$(ask "$1" "$calling | length")" = 0 ] || { say "$1 $2: WRONG, an alarm that nobody gave reason for: $(ask "$1" "$calling[0].alarm")"; return 1; }
}

rudder() {
    ctl start A RUDDER-017 --recipe rudder || return 1
    verdict A RUDDER-017 1 pass || return 1
    simulated 60
    ctl fill A && bench bag A fill 400 || return 1
    simulated 120
    no_alarm A RUDDER-017 || return 1
    bench bag A fill stop && ctl clamp A && say "A RUDDER-017: filled and clamped" || return 1
    simulated 30
    ctl cure A || return 1
    simulated 60
    no_alarm A RUDDER-017 || return 1
    ctl finish A && say "A RUDDER-017: cured and finished"
}

foil() {
    ctl start B FOIL-004 --recipe foil || return 1
    verdict B FOIL-004 1 fail || return 1
    say "B FOIL-004: $(ask B .advice)"
    bench bag B leak 0 && say "B FOIL-004: the leak is found and sealed" || return 1
    until_true B '.pressure_mbar < 8' 60 "the bag to come down again" || return 1
    ctl test B || return 1
    verdict B FOIL-004 2 pass || return 1
    simulated 60
    ctl fill B && bench bag B fill 500 || return 1
    simulated 60
    no_alarm B FOIL-004 || return 1
    bench bag B leak 15 far && say "B FOIL-004: a leak opens while it is filled" || return 1
    until_true B "$calling | length > 0" 60 "the alarm" || return 1
    say "B FOIL-004: alarm: $(ask B "$calling[0] | .alarm + \", \" + (.cause // \"cause not known\") + \": \" + .evidence")"
    [ "$(ask B "$calling[0].alarm")" = vacuum-loss ] || { say "B FOIL-004: WRONG, should be vacuum-loss"; return 1; }
    ctl ack B || return 1
    until_true B "$calling | length == 0" 10 "the acknowledgement" || return 1
    bench bag B leak 0 && say "B FOIL-004: acknowledged; tape pressed down" || return 1
    simulated 30
    bench bag B fill stop && ctl finish B && say "B FOIL-004: finished"
}

rudder &
story_a=$!
foil &
story_b=$!
wait $story_a
right_a=$?
story_a=
wait $story_b
right_b=$?
story_b=

# ---- what is left ---------------------------------------------------------------------------------------------------

for part in RUDDER-017 FOIL-004; do
    folder=$(ls -d "$state/parts/$part"/*/ 2>/dev/null | tail -n 1)
    tries=0
    until [ -f "$folder/SHA256SUMS" ] || [ $tries -gt 50 ]; do
        tries=$((tries + 1))
        sleep 0.1
    done
    (cd "$folder" && sha256sum --quiet -c SHA256SUMS) || right_a=1
    say "$part: $folder"
done
if [ $right_a -eq 0 ] && [ $right_b -eq 0 ]; then
    result=0
    say "every verdict and the alarm came out right"
else
    result=1
    say "something came out wrong, see above and $run/tautd.log"
fi
if [ $stay = yes ]; then
    say "page: http://127.0.0.1:$page   Ctrl-C ends it"
    trap "finish $result" INT TERM
    wait $daemon
fi
[ $result -eq 0 ] || { cp "$run/tautd.log" build/demo/tautd.log && say "kept: build/demo/tautd.log"; }
finish $result
