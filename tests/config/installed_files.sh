#!/bin/sh
# Installs into a scratch folder and lets the system's own tools judge what lies there: systemd the unit, the account and
# the folders, groff the manuals. Usage: installed_files.sh BUILD_FOLDER
set -eu
build=$1
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
bad=0

wrong()
{
    echo "installed_files: $*" >&2
    bad=1
}

# The programs may not be built yet when only this test is run; the files beside them need none.
for part in config systemd daemon/man; do
    cmake -DCMAKE_INSTALL_PREFIX="$root/usr" -P "$build/$part/cmake_install.cmake" >/dev/null
done

for file in lib/systemd/system/tautd.service lib/sysusers.d/taut.conf lib/tmpfiles.d/taut.conf \
    lib/udev/rules.d/60-taut.rules share/man/man8/tautd.8 share/man/man1/tautctl.1 share/man/man5/taut.yaml.5; do
    [ -s "$root/usr/$file" ] || wrong "$file is not installed"
done
[ "$(find "$root/usr/share/doc" -name '*.yaml' | wc -l)" -ge 6 ] || wrong "examples are not installed"

# Every line a page makes groff complain about is a mistake in the page.
if command -v groff >/dev/null; then
    for page in "$root"/usr/share/man/man*/*; do
        said=$(groff -mandoc -Tutf8 -ww -z "$page" 2>&1) || true
        [ -z "$said" ] || wrong "$page: $said"
    done
fi

if ! command -v systemd-analyze >/dev/null; then
    echo "no systemd here: unit, account and folders are not checked" >&2
    [ $bad -eq 0 ] && exit 77
    exit 1
fi

# A program that is surely there, so that only the unit is judged. Doubts of the tool are only printed: any is a mistake.
unit=$root/tautd.service
sed 's|^ExecStart=[^ ]*|ExecStart=/bin/true|' "$root/usr/lib/systemd/system/tautd.service" >"$unit"
said=$(systemd-analyze verify --man=no "$unit" 2>&1 | grep tautd) || true
[ -z "$said" ] || wrong "unit: $said"
# 0 is walled in, 10 open (systemd's own scale, here in tenths)
systemd-analyze security --offline=true --threshold=20 "$unit" >"$root/score" 2>&1 ||
    wrong "unit is too open: $(tail -n 1 "$root/score")"

if [ "$(id -u)" -eq 0 ]; then
    mkdir -p "$root/etc"
    systemd-sysusers --root="$root" "$root/usr/lib/sysusers.d/taut.conf" >/dev/null || wrong "account is refused"
    grep -q '^taut:' "$root/etc/passwd" || wrong "no account is made"
    grep -q '^dialout:.*taut' "$root/etc/group" || wrong "account is not in the group of the serial devices"
    systemd-tmpfiles --root="$root" --create "$root/usr/lib/tmpfiles.d/taut.conf" 2>&1 || wrong "folders are refused"
    [ "$(stat -c %a "$root/var/lib/taut")" = 750 ] || wrong "state folder has other rights"
fi
exit $bad
