#!/usr/bin/env bash
# The real training, in three calls on one machine. Run from the repository root; see setup.sh for the folders.
#   PHASE=start   render, pack, start all trainings and the rendering of test clips in sessions of their own, leave
#                 them running; back come logs and a snapshot of the finder
#   PHASE=go      wait for the finder and the registration networks, export, pack, measure          (the second call)
#   PHASE=finish  measure what unseen looks cost; the bench of the same call stands beside it        (the third call)
#   PHASE=stills  before all of these, only start rendering the stills and leave (SKIP_RENDER=1 in the next call): for
#                 what does not fit beside the wheels into one call
#   PHASE=round   all of it but the shorts in one call                                              (default)
# COUNT, TEST_COUNT stills; RENDER_SECONDS limit of the rendering; CANDIDATES names in models/training/train_people.py,
# one a GPU from the first on; TRAIN_UNTIL: seconds after the first call's beginning when finder and registration
# networks end; SHORT_UNTIL: the same of the short trainings (shorts.sh); START_DIR: <candidate>.pt to go on from;
# GO_ON=1: from the weights of the round before on this machine. CANDIDATES="trunk.1 trunk.2" MARKS_TWICE=1: two
# trainings of each, on a GPU of its own, whose mean is exported too (average_weights). The registration networks (MARKS=0: not) and the
# shorts (SHORTS=0: not) run on the last GPU. BENCH=0: no test clips. LIMIT_SECONDS of this call: $OUT is filled before.
set -u
here="$(dirname "$0")"
. "$here/setup.sh"
. "$here/steps.sh"
PHASE="${PHASE:-round}"
CANDIDATES="${CANDIDATES:-trunk}"
LIMIT_SECONDS="${LIMIT_SECONDS:-590}"
left() { echo $(( LIMIT_SECONDS - ($(date +%s) - began) )); }
show_load() { nvidia-smi --query-gpu=utilization.gpu,memory.used --format=csv,noheader 2>/dev/null; uptime; }

start_all() {
  : > "$WORK/pids"
  if [ "${GO_ON:-0}" = 1 ]; then
    START_DIR="$WORK/before"
    rm -rf "$START_DIR" && mkdir -p "$START_DIR"
    for w in "$WORK"/runs/*/weights/last.pt; do
      cp "$w" "$START_DIR/$(basename "$(dirname "$(dirname "$w")")").pt"
    done
  fi
  rm -rf "$WORK/marks_before"
  [ "${GO_ON:-0}" = 1 ] && [ -d "$WORK/marks" ] && mv "$WORK/marks" "$WORK/marks_before"
  rm -rf "$WORK/runs" "$WORK/onnx" "$WORK/onnx_shorts" "$WORK"/marks "$WORK"/marks_[0-9m]* "$WORK"/train_*.log \
    "$WORK"/export_*.log
  local i=0 begin until=$((began + ${TRAIN_UNTIL:-450})) last=$((GPUS > 0 ? GPUS - 1 : 0))
  echo "$until" > "$WORK/until"
  for c in $CANDIDATES; do
    begin=""
    [ -n "${START_DIR:-}" ] && [ -e "$START_DIR/${c%%.*}.pt" ] && begin="$START_DIR/${c%%.*}.pt"
    train_people "$c" $((i % (GPUS > 0 ? GPUS : 1))) "$until" "$begin"
    i=$((i + 1))
  done
  train_marks "$last" "$until"
  [ "${MARKS_TWICE:-0}" = 1 ] && train_marks $((last > 0 ? last - 1 : 0)) "$until" 2
  say "started: $CANDIDATES, for $((until - $(date +%s))) s"
}

# measure FUNCTION [SECONDS]: one of evaluate_*, ended in time
measure() {
  timeout $(( $(left) - 5 )) bash -c "$(declare -f "$1" say); PY=$PY WORK=$WORK OUT=$OUT CORES=$CORES began=$began \
    SHORT_WORKERS='${SHORT_WORKERS:-$CORES}' MEASURE_SETS='$MEASURE_SETS'; $1 ${MEASURE_LIMIT:-0}"
}

if [ "$PHASE" = stills ]; then
  mkdir -p "$WORK/code_stills" && cp -r models pipeline configs "$WORK/code_stills/" # the next call lays the tree anew
  cd "$WORK/code_stills" || exit 1
  export -f render say
  export PY WORK CORES began SHARD="${SHARD:-8}" GL_DEVICES="${GL_DEVICES:-1}"
  export TEST_COUNT="${TEST_COUNT:-240}" TEST_SECONDS="${TEST_SECONDS:-60}"
  export COUNT="${COUNT:-6000}" SEED="${SEED:-1}" RENDER_SECONDS="${RENDER_SECONDS:-170}"
  rm -f "$WORK/stills_done"
  setsid nohup bash -c '
    RENDER_WORKERS=$((CORES / 8 + 1)) render test "$TEST_COUNT" 900001 "$TEST_SECONDS" &
    RENDER_WORKERS=$((CORES - CORES / 8)) render train "$COUNT" "$SEED" "$RENDER_SECONDS"
    wait
    touch "$WORK/stills_done"' < /dev/null > "$WORK/stills.log" 2>&1 &
  sleep "${LOOK_AFTER:-12}"
  tail -n 2 "$WORK"/render_*.log
  show_load
  exit 0
fi
if [ "$PHASE" = start ] || [ "$PHASE" = round ]; then
  if [ "${SKIP_RENDER:-0}" = 1 ] && [ -e "$WORK/stills.log" ]; then
    while [ ! -e "$WORK/stills_done" ] && [ "$(left)" -gt 120 ]; do sleep 1; done
    cat "$WORK/stills.log"
    prepare
  fi
  if [ "${SKIP_RENDER:-0}" != 1 ]; then
    RENDER_WORKERS=$((CORES / 3 + 1)) render test "${TEST_COUNT:-240}" 900001 "${TEST_SECONDS:-60}" &
    render train "${COUNT:-6000}" "${SEED:-1}" "${RENDER_SECONDS:-170}"
    wait
    prepare
  fi
  start_all
fi
if [ "$PHASE" = start ]; then
  # the registration networks take their memory first
  for _ in $(seq 1 "${MARKS_READING:-90}"); do grep -qs " s, marks step" "$WORK/train_marks.log" && break; sleep 1; done
  train_shorts $((GPUS > 0 ? GPUS - 1 : 0)) $((began + ${SHORT_UNTIL:-1480}))
  [ "${BENCH:-1}" = 1 ] && (unset PHASE LIMIT_SECONDS; RENDER_WORKERS="${CLIP_WORKERS:-14}" bash "$here/bench.sh" render)
  sleep "${WATCH_SECONDS:-60}"
  show_load
  while [ "$(left)" -gt 45 ]; do sleep 5; done
  show_load
  for l in "$WORK"/train_*.log "$WORK"/short_*.log; do echo "$(basename "$l"):"; tail -n 2 "$l" | cut -c1-300; done
  pack_logs
  pack_weights
  ls -la "$OUT"
  exit 0
fi
if [ "$PHASE" = finish ]; then
  wait_for_shorts "${SHORT_WAIT:-60}"
  export_all shorts
  measure evaluate_shorts # finder by finder: what is measured when its time is over counts
  $PY -m models.training.unseen_looks --table "$OUT/looks_metrics.json" --json "$OUT/unseen_looks.json"
  say "shorts measured"
  pack_logs
  exit 0
fi
wait_for $(( $(left) - ${MEASURE_SECONDS:-75} ))
show_load
average_all
export_all
pack # weights first: whatever happens to the measuring, they come back
measure evaluate_all
pack_logs
