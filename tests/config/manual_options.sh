#!/bin/sh
# The manuals say what the programs say: every command and option of --help stands in the page, and no option stands in
# the page that no --help knows. Usage: manual_options.sh PROGRAMS_FOLDER MANUALS_FOLDER
set -eu
programs=$1
manuals=$2
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
bad=0

options() { grep -oE -e '--[a-z][a-z0-9-]*' | sort -u; }

compare() # name, help text, page
{
    options <"$2" >"$dir/said"
    sed -n 's/Fl -/\n--/gp' "$3" | options >"$dir/written"
    for option in $(comm -23 "$dir/said" "$dir/written"); do
        echo "manual_options: $1 has $option, but its manual does not" >&2
        bad=1
    done
    for option in $(comm -13 "$dir/said" "$dir/written"); do
        echo "manual_options: the manual of $1 has $option, but --help does not" >&2
        bad=1
    done
}

echo "--help --version" >"$dir/ctl"
"$programs/tautctl" --help >>"$dir/ctl"
commands=$(sed -n 's/^  \([a-z][a-z]*\)  .*/\1/p' "$dir/ctl")
[ "$(echo "$commands" | wc -l)" -ge 20 ] || { echo "manual_options: tautctl --help lists few commands" >&2; exit 1; }
for command in $commands; do
    "$programs/tautctl" "$command" --help >>"$dir/ctl"
    grep -q "^\.It Ic $command " "$manuals/tautctl.1" || { echo "manual_options: tautctl.1 lacks $command" >&2; bad=1; }
done
for command in $(sed -n 's/^\.It Ic \([a-z]*\) .*/\1/p' "$manuals/tautctl.1" | sort -u); do
    echo "$commands" | grep -qx "$command" || { echo "manual_options: tautctl knows no $command" >&2; bad=1; }
done
compare tautctl "$dir/ctl" "$manuals/tautctl.1"

echo "--help --version" >"$dir/daemon"
"$programs/tautd" --help >>"$dir/daemon"
compare tautd "$dir/daemon" "$manuals/tautd.8"
exit $bad
