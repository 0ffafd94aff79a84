#!/bin/sh
# The whole test run: installs what is missing, builds with sanitizers, runs everything, ends with one line of figures.
#   sh tests/run.sh            everything
#   sh tests/run.sh quick      address sanitizer build, unit tests only
set -u
cd "$(dirname "$0")/.." || exit 1
scope=${1:-all}
sh config/setup.sh test || exit 1

passed=0 failed=0 skipped=0
results=$(mktemp -d)
trap 'rm -rf "$results"' EXIT INT TERM
jobs=$(nproc)

say() { printf '\n== %s\n' "$*"; }

# One named step that passes or fails as a whole; its output is shown.
step() {
    name=$1
    shift
    say "$name"
    if "$@"; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "FAILED: $name"
    fi
}

build() { # preset
    cmake --preset "$1" >"$results/configure-$1" 2>&1 || { tail -n 30 "$results/configure-$1"; return 1; }
    cmake --build --preset "$1" -j "$jobs" >"$results/build-$1" 2>&1 || { grep -E 'error|warning|FAILED' "$results/build-$1" | head -n 40; return 1; }
    echo "built $1"
}

# ctest in one build; every test counts by itself.
run() { # preset, ctest arguments...
    preset=$1
    shift
    say "ctest $preset $*"
    ctest --test-dir "build/$preset" --output-on-failure --no-tests=error -j "$jobs" -O "$results/ctest-$preset" "$@" || true
    p=$(grep -cE '^ *[0-9]+/[0-9]+ Test +#[0-9]+: .* Passed ' "$results/ctest-$preset")
    s=$(grep -cE '^ *[0-9]+/[0-9]+ Test +#[0-9]+: .*\*\*\*Skipped' "$results/ctest-$preset")
    all=$(grep -cE '^ *[0-9]+/[0-9]+ Test +#[0-9]+: ' "$results/ctest-$preset")
    [ "$all" -gt 0 ] || all=$((p + s + 1))
    grep -E '\*\*\*Skipped' "$results/ctest-$preset"
    passed=$((passed + p)) skipped=$((skipped + s)) failed=$((failed + all - p - s))
}

formatted() {
    command -v clang-format-14 >/dev/null || { echo "clang-format-14 is not in this release: not checked"; return 0; }
    git ls-files '*.c' '*.h' | xargs clang-format-14 --dry-run -Werror
}

# Findings that were there when the check came in; each one that is mended lowers the number, none may be added.
tidy_known=46
tidy() {
    command -v clang-tidy-14 >/dev/null || { echo "clang-tidy-14 is not in this release: not checked"; return 0; }
    git ls-files 'lib/*.c' 'daemon/*.c' | xargs -P "$jobs" -n 4 clang-tidy-14 --quiet -p build/dev >"$results/tidy" 2>/dev/null
    found=$(grep -E '^/.*: (error|warning): ' "$results/tidy" | sort -u | tee "$results/tidy-findings" | wc -l)
    echo "clang-tidy: $found findings, $tidy_known known"
    [ "$found" -le "$tidy_known" ] || { sed "s|^$PWD/||" "$results/tidy-findings"; return 1; }
}

finish() {
    printf '\ntests: %d passed, %d failed, %d skipped\n' "$passed" "$failed" "$skipped"
    [ "$failed" -eq 0 ]
    exit
}

export ASAN_OPTIONS=abort_on_error=0:detect_leaks=1 UBSAN_OPTIONS=print_stacktrace=1
export TSAN_OPTIONS=halt_on_error=1:second_deadlock_stack=1

step "build asan" build asan
if [ "$scope" = quick ]; then
    run asan -L unit
    finish
fi
step "build dev" build dev
step "build clang" build clang
step "build tsan" build tsan
step "format" formatted
step "clang-tidy" tidy
run asan -LE 'stat|bench'
run tsan -L 'bus|sink|web|system'
run dev -L 'stat|bench'
finish
