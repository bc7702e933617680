#!/usr/bin/env bash
# Mutation testing of the step machine: cargo-mutants changes one thing at a time in what decides about safety, and the tests
# of the machine must notice. What they need not notice is argued in tests/mutants-argued.txt, a line each.
#
#   tests/mutants.sh               all of it: hours on two cores; --jobs N and other options go to cargo-mutants
#   tests/mutants.sh --file FILE   one file of them
#   tests/mutants.sh --check       whether each argued line still names a mutant there is; builds no mutant
#
# It needs `cargo install cargo-mutants --locked`. Output goes to $MUTANTS_DIR (default: target/mutants).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

files=(interlock step channel dwell persist life verdict gas_temperature
    phase/fill phase/isolate phase/measure phase/mod phase/precheck phase/safe_vent phase/settle phase/soak phase/start_up
    phase/vent phase/output_test)
argued=tests/mutants-argued.txt
command -v cargo-mutants >/dev/null || { echo 'cargo-mutants is missing: cargo install cargo-mutants --locked' >&2; exit 1; }

options=(--package seathold-sequencer --test-package seathold-machine --test-package seathold-sequencer --no-shuffle)
# A name without the place in the file, which moves with every edit.
plain() { sed -E 's/^([^:]+):[0-9]+:[0-9]+: /\1: /'; }
lines() { sed -e 's/ *|.*//' -e '/^#/d' -e '/^$/d' "$argued" | sort -u; }

case ${1:-} in
--help | -h) sed -n '2,10s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"; exit ;;
--check)
    list=()
    for file in "${files[@]}"; do list+=(--file "sequencer/src/$file.rs"); done
    # By itself, not within a pipe, where nobody would ask how it ended.
    there=$(cargo mutants --list "${options[@]}" "${list[@]}")
    [ -n "$there" ] || { echo 'cargo-mutants knows of no mutant' >&2; exit 1; }
    stale=$(comm -23 <(lines) <(plain <<<"$there" | sort -u))
    [ -z "$stale" ] || { printf 'argued, and no mutant any more:\n%s\n' "$stale" >&2; exit 1; }
    echo 'every argued mutant is there'
    exit
    ;;
esac

dir=${MUTANTS_DIR:-target/mutants}
mkdir -p "$dir"
if [ "${1:-}" = --file ]; then
    list=(--file "sequencer/src/$2.rs")
    shift 2
else
    list=()
    for file in "${files[@]}"; do list+=(--file "sequencer/src/$file.rs"); done
fi
# Fewer random cases: what a mutant does wrong is done in most of them.
export PROPTEST_CASES=${PROPTEST_CASES:-24}
# What an earlier time found is not to be taken for what this one finds.
rm -rf "$dir/mutants.out"
ended=0
cargo mutants "${options[@]}" "${list[@]}" --output "$dir" --timeout 120 "$@" || ended=$?
# 0: all noticed; 2: some missed; 3: some ran out of time, which is noticed too. Anything else: it has not done its work.
case $ended in
0 | 2 | 3) ;;
*) echo "cargo-mutants ended with $ended" >&2; exit 1 ;;
esac
survivors=$(comm -23 <(plain <"$dir/mutants.out/missed.txt" | sort -u) <(lines))
[ -z "$survivors" ] || { printf 'neither noticed nor argued:\n%s\n' "$survivors" >&2; exit 1; }
echo 'every mutant was noticed, or is argued'
