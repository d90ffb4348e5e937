#!/usr/bin/env bash
# Measures the budgets of PROGRAM and prints them as one table: bench.sh PROGRAM,
# on Debian or Ubuntu. As root it works on a private copy of the machine; without,
# what needs one is left out and said.
set -euo pipefail
here=$(cd -- "$(dirname -- "$0")" && pwd -P)
program=$(realpath -- "${1:?usage: bench.sh PROGRAM}")
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
chmod 0755 "$dir" # the program proves as accounts without privileges
cd "$here/../.."
go test -c -o "$dir/bench.test" ./packaging/bench
run=("$dir/bench.test" -test.run '^$' -test.bench '^BenchmarkBudgets$' -test.benchtime 1x -test.timeout 15m)
export ANCHORHOLD_PROGRAM="$program"
unset "${!SSL_CERT@}"
cd "$dir"
if [ "$(id -u)" -ne 0 ]; then exec "${run[@]}"; fi
ANCHORHOLD_BENCH_MACHINE=private sh "$here/../private.sh" 900 "${run[@]}"
