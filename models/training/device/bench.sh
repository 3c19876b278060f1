#!/usr/bin/env bash
# The test set of make bench on a machine with many cores: renders, charts, evaluates; $OUT gets report.json and the
# ten worst pictures. Run from the repository root; then, where two cores are quiet:
#   python -m models.training.bench --report report.json
# PLAYS clips at most; RENDER_SECONDS: no clip is begun later; PACK: a tar.xz of Python packages this machine lacks.
set -u
here="$(dirname "$0")"
PACK="${PACK:-.pack_bench/site.tar.xz}"
SITE="${SITE:-${TMPDIR:-/tmp}/site}"
if [ -e "$PACK" ] && [ ! -e "$SITE/.done" ]; then
  mkdir -p "$SITE" && tar -xJf "$PACK" -C "$SITE" && touch "$SITE/.done" || { echo "the packages cannot be unpacked"; exit 1; }
fi
. "$here/setup.sh"
cores=$(nproc)
timeout "${LIMIT_SECONDS:-570}" $PY -m models.training.bench --plays "${PLAYS:-300}" --out "$WORK/bench" --set-only \
  --workers "$cores" --seconds "${RENDER_SECONDS:-330}" 2>&1 | tail -90
cp "$WORK/bench/report.json" "$OUT/" 2>/dev/null || say "no report"
(cd "$WORK/bench" 2>/dev/null && tar -czf "$OUT/worst.tar.gz" worst)
(cd "$WORK/bench/run" 2>/dev/null && tar -czf "$OUT/tables.tar.gz" *.csv run.json ../truth)
say "bench done"
