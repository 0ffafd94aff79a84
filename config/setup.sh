#!/bin/sh
# Install what is missing to build Taut (`build`), to see the demo (`demo`) or to build and test it (`test`), from
# Debian's own packages.
# Runs as root or through sudo; does nothing when all is there.
set -eu

build="gcc libc6-dev cmake ninja-build pkg-config libmodbus-dev libyaml-dev libgsl-dev libcjson-dev libmicrohttpd-dev
 libcurl4-openssl-dev libsodium-dev libsystemd-dev"
test="$build g++ clang clang-tidy libcmocka-dev python3 python3-pymodbus python3-serial python3-pandas python3-scipy mbpoll socat
 valgrind strace faketime curl jq git procps mount binutils man-db"
# Only Debian 12: clang-format in the version the sources are kept in, and what pymodbus 3.0 needs for serial lines.
# (Not asked of apt-cache: a bare system has no lists yet.)
release=$(. /etc/os-release 2>/dev/null && echo "${VERSION_ID:-}") || true
[ "$release" = 12 ] && test="$test clang-format-14 python3-serial-asyncio"

case "${1:-build}" in
build) wanted=$build ;;
demo) wanted="$build jq" ;;
test) wanted=$test ;;
*) echo "usage: sh config/setup.sh build|demo|test" >&2; exit 64 ;;
esac

missing=
for package in $wanted; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q '^install ok installed' || missing="$missing $package"
done
[ -z "$missing" ] && exit 0

as_root=
if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || { echo "to install:$missing; run as root, or install sudo" >&2; exit 1; }
    as_root=sudo
fi
echo "installing:$missing"
$as_root apt-get update -q >/dev/null
# shellcheck disable=SC2086  # a list of package names
$as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing >/dev/null
