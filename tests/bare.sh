#!/bin/sh
# The README's two commands in a fresh clone inside a bare Debian root: nothing installed but git.
#   sh tests/bare.sh bookworm|trixie [demo|tests|quick]...      default: demo tests
# Needs root, mmdebstrap and util-linux (unshare). The root is made anew in $TMPDIR and removed.
set -eu
release=${1:?usage: sh tests/bare.sh bookworm|trixie [demo|tests|quick]...}
shift
[ $# -gt 0 ] || set -- demo tests
cd "$(dirname "$0")/.."
root=$(mktemp -d "${TMPDIR:-/tmp}/taut-bare-XXXXXX")
trap 'rm -rf --one-file-system "$root"' EXIT
trap 'exit 1' INT TERM

mmdebstrap --quiet --variant=minbase --include=git,ca-certificates --dpkgopt='path-exclude=/usr/share/doc/*' "$release" "$root"
git clone -q . "$root/root/taut"

# /proc, /dev with pseudo-terminals and /run of its own, in a mount namespace that ends with the command
inside() {
    unshare -m --propagation private sh -c '
        mount -t proc proc "$1/proc" && mount --rbind /dev "$1/dev" && mount -t tmpfs tmpfs "$1/run" &&
        exec chroot "$1" /bin/sh -c "cd /root/taut && $2"' sh "$root" "$1"
}

for what in "$@"; do
    echo "== $release: $what"
    case $what in
    demo) inside 'sh config/demo/run.sh --no-wait' ;;
    tests) inside 'sh tests/run.sh' ;;
    quick) inside 'sh tests/run.sh quick' ;;
    *) echo "no such part: $what" >&2; exit 64 ;;
    esac
done
