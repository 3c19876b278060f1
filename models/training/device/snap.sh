#!/usr/bin/env bash
# Clips for the snap finder on a machine with many cores and a GPU: rendered, measured by the motion stage, packed.
# $OUT gets snap_train.npz and snap_test.npz, together under 15 MiB. Run from the repository root.
# CLIPS, TEST_CLIPS: how many at most; CLIP_SECONDS: none of either is begun later; PACK: as bench.sh.
set -u
here="$(dirname "$0")"
PACK="${PACK:-.pack_bench/site.tar.xz}"
SITE="${SITE:-${TMPDIR:-/tmp}/site}"
if [ -e "$PACK" ] && [ ! -e "$SITE/.done" ]; then
  mkdir -p "$SITE" && tar -xJf "$PACK" -C "$SITE" && touch "$SITE/.done" || { echo "the packages cannot be unpacked"; exit 1; }
fi
. "$here/setup.sh"
cores=$(nproc)
make() { # name, first seed, clips, seconds
  $PY -m models.training.snap_clips --clips "$3" --seconds "$4" --workers "$cores" --first-seed "$2" \
    --out "$WORK/snap_$1" 2>&1 | tail -5
  cp "$WORK/snap_$1/snap_grids.npz" "$OUT/snap_$1.npz" 2>/dev/null || say "no clips for $1"
}
make test 80000000 "${TEST_CLIPS:-300}" "$((${CLIP_SECONDS:-360} / 4))"
make train 3000000 "${CLIPS:-850}" "$((${CLIP_SECONDS:-360} * 3 / 4))"
ls -l "$OUT"
say "snap clips done"
