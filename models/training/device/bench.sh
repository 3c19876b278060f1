#!/usr/bin/env bash
# The test set of make bench on a machine with many cores. Run from the repository root.
#   bench.sh render   start rendering in the background, or let it go on; returns at once
#   bench.sh score    stop rendering, put new networks into a copy of models/, chart, gather, pack into $OUT
# Then, where two cores are quiet: python -m models.training.bench --collected FOLDER
#
# FIRST_SEED: of the clips; another one (50000000) for a set to develop on, which no figure is taken from.
# render: PLAYS clips at most, RENDER_WORKERS processes.
# score: STOP_AT: second of the epoch until which clips are still rendered (default: now); PEOPLE: the finder's ONNX;
# MARKS_DIR: folder of marks.onnx and numbers.onnx (both default to what job.sh left; absent: as shipped); CONFIDENCE:
# of the finder, if not the manifest's; STILLS for bench_eyes (0: none), EYES_SECONDS for them; CHART_SECONDS;
# CHART_WORKERS; END_AT: second of the epoch when all must be in $OUT; COMMIT: hash of what is measured.
# PACK: a tar.xz of Python packages this machine lacks. TREE: a tar.xz of pipeline/, configs/ and models/training/ to
# run instead of the checkout's (bench_tree.sh makes it), so that what is measured is what was tried before.
set -u
here="$(dirname "$0")"
WHAT="${1:-}"
began=$(date +%s)
say() { echo "[bench $(($(date +%s) - began))s] $*"; }
case "$WHAT" in render | score) ;; *) echo "usage: bench.sh render|score"; exit 2 ;; esac

unpack() { ${PY:-python3} -c "import sys, tarfile; tarfile.open(sys.argv[1]).extractall(sys.argv[2])" "$1" "$2"; }
PACK="${PACK:-.pack_bench/site.tar.xz}"
BENCH_SITE="${BENCH_SITE:-${TMPDIR:-/tmp}/bench_site_$(cksum < "$PACK" 2> /dev/null | cut -d ' ' -f 1)}"
if [ -e "$PACK" ] && [ ! -e "$BENCH_SITE/.done" ]; then
  mkdir -p "$BENCH_SITE" && unpack "$PACK" "$BENCH_SITE" && touch "$BENCH_SITE/.done" ||
    { echo "the packages cannot be unpacked"; exit 1; }
fi
[ -d "$BENCH_SITE" ] && export PYTHONPATH="$BENCH_SITE${PYTHONPATH:+:$PYTHONPATH}"
WHEELS="$BENCH_SITE/none" # what training needs is not needed here
[ "$WHAT" = score ] && [ "${STILLS:-600}" = 0 ] && QUICK=1
. "$here/setup.sh" > "${TMPDIR:-/tmp}/bench_setup.log" 2>&1
tail -n 2 "${TMPDIR:-/tmp}/bench_setup.log"
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 MKL_NUM_THREADS=1
export COMMIT="${COMMIT:-$(git rev-parse --short HEAD 2>/dev/null)}"
BENCH="${BENCH:-$WORK/bench}"
FIRST_SEED="${FIRST_SEED:-90000000}"
mkdir -p "$BENCH"
TREE="${TREE:-.pack_bench/tree.tar.xz}"
if [ -e "$TREE" ]; then
  place="$BENCH/tree_$(cksum < "$TREE" | cut -d ' ' -f 1)"
  [ -e "$place/pipeline" ] || { mkdir -p "$place" && unpack "$TREE" "$place"; }
  for m in manifest.toml labels people registration snap; do cp -r "models/$m" "$place/models/"; done
  cd "$place" || exit 1
  COMMIT=$(cat commit 2> /dev/null || echo "$COMMIT")
  say "running the tree of $COMMIT"
fi
bench() { $PY -m models.training.bench_set "$@" --out "$BENCH" --first-seed "$FIRST_SEED"; }

if [ "$WHAT" = render ]; then
  setsid nohup nice -n "${NICE:-12}" $PY -m models.training.bench_set render --out "$BENCH" \
    --plays "${PLAYS:-1000}" --first-seed "$FIRST_SEED" --workers "${RENDER_WORKERS:-14}" < /dev/null >> "$BENCH/render.out" 2>&1 &
  sleep "${LOOK_AFTER:-3}"
  tail -n 3 "$BENCH/render.out"
  first=$(ls "$BENCH"/pool/render/failed/* 2> /dev/null | head -n 1)
  [ -n "$first" ] && { say "a clip failed:"; tail -n 4 "$first"; }
  say "$(ls "$BENCH"/film/*.truth.json 2> /dev/null | wc -l) clips so far"
  exit 0
fi

END_AT="${END_AT:-$((began + 300))}"
left() { echo $((END_AT - $(date +%s))); }
while [ "$(date +%s)" -lt "${STOP_AT:-0}" ]; do sleep 1; done
bench stop --wait 6
say "rendering stopped: $(ls "$BENCH"/film/*.truth.json 2> /dev/null | wc -l) clips"

PEOPLE="${PEOPLE:-$(ls -t "$WORK"/onnx/*.onnx 2> /dev/null | head -n 1)}"
MARKS_DIR="${MARKS_DIR:-$WORK/marks}"
timeout 60 $PY -m models.training.bench_set models --out "$BENCH" ${PEOPLE:+--people "$PEOPLE"} --marks "$MARKS_DIR" \
  ${CONFIDENCE:+--confidence "$CONFIDENCE"} || { say "the new networks cannot be loaded: charting with the shipped"; }

cores=$($PY -c "import os; print(len(os.sched_getaffinity(0)))")
if [ "${STILLS:-600}" != 0 ]; then # stills of unseen looks, for bench_eyes --records
  timeout "${EYES_SECONDS:-110}" $PY -m models.training.eyes_stills --stills "${STILLS:-600}" --out "$BENCH/eyes" \
    --workers "$((cores > 4 ? cores - 2 : cores))" $([ -d "$BENCH/models" ] && echo --models "$BENCH/models") > "$BENCH/eyes.log" 2>&1
  say "stills: $(tail -n 1 "$BENCH/eyes.log" | cut -c1-200), $(ls "$BENCH"/eyes/records 2> /dev/null | wc -l) shards"
fi
reserve="${RESERVE:-75}" # seconds for gathering, the worst pictures and packing
chart="${CHART_SECONDS:-$(($(left) - reserve))}"
say "charting for at most $chart s"
bench chart --workers "${CHART_WORKERS:-$((cores > 4 ? cores - 1 : cores))}" --seconds "$chart"

timeout $(($(left) > 20 ? $(left) - 10 : 10)) $PY -m models.training.bench_set gather --out "$BENCH" 2>&1 | tail -n 5
bench pack --to "$OUT" # first: whatever happens to the pictures, this comes back
if [ "$(left)" -gt 35 ]; then
  timeout $(($(left) - 12)) $PY -m models.training.bench_set worst --out "$BENCH" --workers 10 \
    --seconds $(($(left) - 30)) 2>&1 | tail -n 5
  bench pack --to "$OUT"
fi
ls -la "$OUT"
say "bench done"
