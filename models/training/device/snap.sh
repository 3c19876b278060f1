#!/usr/bin/env bash
# Clips and scorers for the snap finder on a machine with many cores and a GPU. Run from the repository root.
#   snap.sh start     makes clips and fits scorers in a session of its own; returns at once
#   snap.sh collect   what is there by now into $OUT: snap_fits.tar, snap_clips.tar (each under 15 MiB); any time
#   snap.sh films     measures the films of the bench that are rendered by now, then collects them: snap_films.tar
# start: SNAP_WORKERS processes make MODELLED clips (MODELLED_SECONDS at most), then up to CLIPS and TEST_CLIPS rendered
# ones, until SNAP_SECONDS after the start are over. Meanwhile SNAP_FITS (names in models/training/snap_fits.py) learn on
# card SNAP_GPU, and for SNAP_FIT_SECONDS more with the rendered clips. SNAP_DIR holds all of it. PACK: as bench.sh.
# films: FILM, the folder of film; FILM_SECONDS, FILM_WORKERS.
set -u
here="$(dirname "$0")"
WHAT="${1:-}"
case "$WHAT" in start | begin | collect | films) ;; *) echo "usage: snap.sh start|collect|films"; exit 2 ;; esac
absolute() { case "$1" in /*) echo "$1" ;; *) echo "$PWD/$1" ;; esac; }
PACK="$(absolute "${PACK:-.pack_bench/site.tar.xz}")"
wheels="$(absolute "${WHEELS:-.whl}")"
loaders="$(absolute "${LOADERS:-.gl}")"

if [ "$WHAT" = start ]; then # folders alone; what takes its time happens in the background
  WHEELS=/none LOADERS=/none QUICK=1
  . "$here/setup.sh"
  SNAP_DIR="${SNAP_DIR:-$WORK/snap}"
  mkdir -p "$SNAP_DIR/code"
  cp -r models pipeline configs "$SNAP_DIR/code/" # a later call may change the checkout under a running job
  export WORK OUT PY SNAP_DIR PACK WHEELS="$wheels" LOADERS="$loaders" QUICK=0
  cd "$SNAP_DIR/code" || exit 1
  setsid nohup bash models/training/device/snap.sh begin < /dev/null >> "$SNAP_DIR/all.log" 2>&1 &
  sleep "${LOOK_AFTER:-2}"
  cat "$SNAP_DIR/all.log"
  say "snap: started in $SNAP_DIR"
  exit 0
fi

if [ -e "$PACK" ]; then
  BENCH_SITE="${BENCH_SITE:-${TMPDIR:-/tmp}/snap_site_$(cksum < "$PACK" | cut -d ' ' -f 1)}"
  if [ ! -e "$BENCH_SITE/.done" ]; then
    mkdir -p "$BENCH_SITE" &&
      ${PY:-python3} -c "import sys, tarfile; tarfile.open(sys.argv[1]).extractall(sys.argv[2])" "$PACK" "$BENCH_SITE" &&
      touch "$BENCH_SITE/.done" || { echo "the packages cannot be unpacked"; exit 1; }
  fi
  export PYTHONPATH="$BENCH_SITE${PYTHONPATH:+:$PYTHONPATH}"
  WHEELS="$BENCH_SITE/none"
elif [ "$WHAT" = begin ] && [ -d "$wheels" ]; then # another job may be installing the wheels just now
  for _ in $(seq 1 "${SITE_WAIT:-60}"); do [ -e "${SITE:-${TMPDIR:-/tmp}/site}/.done" ] && break; sleep 1; done
fi
[ "$WHAT" = begin ] || QUICK=1
. "$here/setup.sh"
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 MKL_NUM_THREADS=1
SNAP_DIR="${SNAP_DIR:-$WORK/snap}"

if [ "$WHAT" = collect ] || [ "$WHAT" = films ]; then
  OUT="$(absolute "$OUT")"
  cd "$SNAP_DIR/code" || exit 1
  if [ "$WHAT" = films ]; then
    nice -n "${NICE:-8}" $PY -m models.training.snap_fits films --film "${FILM:-${BENCH:-$WORK/bench}/film}" \
      --out "$SNAP_DIR" --workers "${FILM_WORKERS:-24}" --seconds "${FILM_SECONDS:-120}"
  fi
  tail -n 3 "$SNAP_DIR/all.log"
  for l in "$SNAP_DIR"/fits/*.log; do echo "$(basename "$l"): $(tail -n 1 "$l" | cut -c1-300)"; done
  $PY -m models.training.snap_fits collect --out "$SNAP_DIR" --to "$OUT"
  ls -l "$OUT"
  exit 0
fi

cores="${CORES:-8}"
workers="${SNAP_WORKERS:-$((cores > 32 ? 24 : cores / 2 + 1))}"
modelled="${MODELLED:-4000}" modelled_s="${MODELLED_SECONDS:-70}" make_s="${SNAP_SECONDS:-380}"
first=$(date +%s)
mkdir -p "$SNAP_DIR/fits"
say "snap: $workers workers for $make_s s, fits ${SNAP_FITS:=fine1 long1 short1 fine2 long2} on card ${SNAP_GPU:=0}"
for f in $SNAP_FITS; do
  CUDA_VISIBLE_DEVICES=$SNAP_GPU OMP_NUM_THREADS=2 nice -n "${FIT_NICE:-2}" $PY -m models.training.snap_fits fit \
    --out "$SNAP_DIR" --name "$f" --modelled "$modelled" --modelled-until $((first + modelled_s)) \
    --first-until $((first + make_s)) --seconds "${SNAP_FIT_SECONDS:-200}" --batch "${SNAP_BATCH:-32}" \
    > "$SNAP_DIR/fits/$f.log" 2>&1 &
done
nice -n "${NICE:-8}" $PY -m models.training.snap_fits make --out "$SNAP_DIR" --workers "$workers" --seconds "$make_s" \
  --modelled "$modelled" --modelled-seconds "$modelled_s" --clips "${CLIPS:-3000}" --test-clips "${TEST_CLIPS:-320}"
wait
say "snap: all done"
