#!/usr/bin/env bash
# Clips for the snap finder on a machine with many cores and a GPU: rendered, measured by the motion stage, packed.
# $OUT gets snap_train.npz and snap_test.npz, together under 15 MiB. Run from the repository root.
# SNAP_FIT_SECONDS (default 0: none): scorers are fitted on them and on modelled clips for as long: fit*.pt, fit*.onnx.
# CLIPS, TEST_CLIPS: how many at most; CLIP_SECONDS: none of either is begun later; SNAP_WORKERS; PACK: as bench.sh.
set -u
here="$(dirname "$0")"
PACK="${PACK:-.pack_bench/site.tar.xz}"
BENCH_SITE="${BENCH_SITE:-${TMPDIR:-/tmp}/bench_site}"
if [ -e "$PACK" ] && [ ! -e "$BENCH_SITE/.done" ]; then
  mkdir -p "$BENCH_SITE" &&
    ${PY:-python3} -c "import sys, tarfile; tarfile.open(sys.argv[1]).extractall(sys.argv[2])" "$PACK" "$BENCH_SITE" &&
    touch "$BENCH_SITE/.done" || { echo "the packages cannot be unpacked"; exit 1; }
fi
[ -d "$BENCH_SITE" ] && export PYTHONPATH="$BENCH_SITE${PYTHONPATH:+:$PYTHONPATH}"
WHEELS="$BENCH_SITE/none" # what training needs is not needed here
. "$here/setup.sh"
workers="${SNAP_WORKERS:-$CORES}"
make() { # name, first seed, clips, seconds
  nice -n "${NICE:-8}" $PY -m models.training.snap_clips --clips "$3" --seconds "$4" --workers "$workers" \
    --first-seed "$2" --out "$WORK/snap_$1" 2>&1 | tail -5
  cp "$WORK/snap_$1/snap_grids.npz" "$OUT/snap_$1.npz" 2>/dev/null || say "no clips for $1"
}
make test 80000000 "${TEST_CLIPS:-300}" "$((${CLIP_SECONDS:-360} / 4))"
make train 3000000 "${CLIPS:-850}" "$((${CLIP_SECONDS:-360} * 3 / 4))"
say "snap clips done"
if [ "${SNAP_FIT_SECONDS:-0}" -gt 0 ]; then
  nice -n "${NICE:-8}" $PY -m models.training.snap_clips --how modelled --clips 3000 --seconds "${MODELLED_SECONDS:-45}" \
    --workers "$workers" --first-seed 2100000 --out "$WORK/snap_modelled" 2>&1 | tail -3
  some=("$WORK/snap_modelled/snap_grids.npz" "$OUT/snap_train.npz" "$OUT/snap_train.npz" "$OUT/snap_train.npz")
  for seed in 1 2; do # rendered clips are named, and so seen, more often
    $PY -m models.training.train_snap fit --data "${some[@]}" --out "$OUT/fit$seed.onnx" --seed $seed --threads 2 \
      --seconds "$SNAP_FIT_SECONDS" > "$OUT/fit$seed.log" 2>&1 &
  done
  wait
  tail -n 2 "$OUT"/fit*.log
fi
ls -l "$OUT"
say "snap done"
