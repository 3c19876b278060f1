#!/usr/bin/env bash
# bench_tree.sh [COMMIT] [ARCHIVE]: the program and the bench of a commit as a tar.xz that device/bench.sh runs.
set -eu
commit="${1:-HEAD}"
to="$(realpath -m "${2:-.pack_bench/tree.tar.xz}")"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
git archive "$commit" pipeline configs models/__init__.py models/training | tar -x -C "$work"
git rev-parse --short "$commit" > "$work/commit"
tar -C "$work" -cJf "$to" .
ls -l "$to"
