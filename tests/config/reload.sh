#!/bin/sh
# SIGHUP to a running tautd whose only device is not there: the same file, other recipes, a mistake, another channel.
# It must say what it did each time, stay alive, and end with 0. Under the sanitizers this also shows that nobody goes
# on with a configuration that was freed. Usage: reload.sh TAUTD
set -eu
tautd=$1
dir=$(mktemp -d /tmp/taut-reload.XXXXXX)
pid=
finish()
{
    [ -z "$pid" ] || kill "$pid" 2>/dev/null || true
    rm -rf "$dir"
}
trap finish EXIT

write()
{
    cat >"$dir/taut.yaml" <<END
daemon: {state_dir: $dir/state, run_dir: $dir}
lines:
  - {name: nobody, kind: tcp, host: 127.0.0.1, port: 9, timeout_s: 0.2, retry_most_s: 0.2}
channels:
  - {name: $1, line: nobody, unit: 1, table: input, register: 0, type: float32, reference: absolute, range: [0, 1100],
     period_s: 0.02, u_mbar: 0.5}
stations: [{name: A, vent: $1}]
recipes: [{name: $2, limit_mbar_per_min: 0.5}]
$3
END
}

# Wait at most 15 s until the log holds $1 at least $2 times.
await()
{
    tries=0
    while [ "$(grep -c "$1" "$dir/log" || true)" -lt "$2" ]; do
        tries=$((tries + 1))
        if [ $tries -gt 150 ] || ! kill -0 "$pid" 2>/dev/null; then
            echo "reload: no \"$1\" ($2) in the log:" >&2
            cat "$dir/log" >&2
            exit 1
        fi
        sleep 0.1
    done
}

write A.vent rudder ""
"$tautd" --config "$dir/taut.yaml" >"$dir/log" 2>&1 &
pid=$!
tries=0
until [ -S "$dir/taut.sock" ] || [ $tries -gt 100 ]; do
    tries=$((tries + 1))
    sleep 0.1
done
[ -S "$dir/taut.sock" ]

kill -HUP "$pid"
await "new configuration is in force" 1
write A.vent hatch ""
kill -HUP "$pid"
await "new configuration is in force" 2
write A.vent hatch "colour: red"
kill -HUP "$pid"
await "unknown section \"colour\"" 1
await "reload refused" 1
write B.vent hatch ""
kill -HUP "$pid"
await "new configuration is in force" 3
sleep 0.5
kill -TERM "$pid"
status=0
wait "$pid" || status=$?
pid=
[ $status -eq 0 ] || { echo "reload: tautd ended with $status" >&2; cat "$dir/log" >&2; exit 1; }
