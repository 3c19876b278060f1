#!/usr/bin/env bash
# The real training, time-boxed. Run from the repository root; see setup.sh for the folders.
#   PHASE=round   render (unless SKIP_RENDER=1), train, measure, pack: one call does it all         (default)
#   PHASE=start   render and start the trainings in sessions of their own, leave them running, pack snapshots
#   PHASE=finish  wait for trainings that run already, measure, pack
# COUNT, TEST_COUNT stills; RENDER_SECONDS limit of the rendering; CANDIDATES names in models/training/train_people.py,
# one a GPU; TRAIN_MINUTES of every training, or TRAIN_UNTIL: seconds after this call's beginning when all of them end;
# GO_ON=1 starts from the weights of the round before (same machine), START_DIR from <candidate>.pt in a folder;
# LIMIT_SECONDS of this call: $OUT is filled before it. The registration networks train beside (MARKS=0: not).
set -u
here="$(dirname "$0")"
. "$here/setup.sh"
. "$here/steps.sh"
PHASE="${PHASE:-round}"
CANDIDATES="${CANDIDATES:-trunk trunk_calm}"
LIMIT_SECONDS="${LIMIT_SECONDS:-590}"
left() { echo $(( LIMIT_SECONDS - ($(date +%s) - began) )); }

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
  rm -rf "$WORK/runs" "$WORK/onnx" "$WORK/marks" "$WORK"/train_*.log "$WORK"/export_*.log
  local i=0 begin now until marks
  now=$(date +%s)
  if [ -n "${TRAIN_UNTIL:-}" ]; then
    until=$((began + TRAIN_UNTIL))
  else
    until=$($PY -c "print(int($now + 60 * ${TRAIN_MINUTES:-5}))")
  fi
  echo "$until" > "$WORK/until"
  # the marks' training reads its stills for a while before its own clock starts
  marks=$($PY -c "print(round(max(($until - $now - ${MARKS_READING:-35}) / 60, 0.2), 2))")
  for c in $CANDIDATES; do
    begin=""
    [ -n "${START_DIR:-}" ] && [ -e "$START_DIR/$c.pt" ] && begin="$START_DIR/$c.pt"
    train_people "$c" $((i % (GPUS > 0 ? GPUS : 1))) "$until" "$begin"
    i=$((i + 1))
  done
  train_marks $((GPUS > 0 ? GPUS - 1 : 0)) "${MARKS_MINUTES:-$marks}"
  say "started: $CANDIDATES, for $((until - now)) s"
}

if [ "$PHASE" != finish ]; then
  if [ "${SKIP_RENDER:-0}" != 1 ]; then
    RENDER_WORKERS=$((CORES / 3 + 1)) render test "${TEST_COUNT:-240}" 900001 "${TEST_SECONDS:-60}" &
    render train "${COUNT:-6000}" "${SEED:-1}" "${RENDER_SECONDS:-170}"
    wait
    prepare
  fi
  start_all
fi
sleep 20
nvidia-smi --query-gpu=utilization.gpu,memory.used --format=csv,noheader 2>/dev/null
uptime
if [ "$PHASE" = start ]; then
  wait_for $(( $(left) - 40 ))
  nvidia-smi --query-gpu=utilization.gpu,memory.used --format=csv,noheader 2>/dev/null
  export_all
  pack
  exit 0
fi
wait_for $(( $(left) - ${MEASURE_SECONDS:-75} ))
export_all
pack # weights first: whatever happens to the measuring, they come back
timeout $(( $(left) - 5 )) bash -c "$(declare -f evaluate_all say); PY=$PY WORK=$WORK OUT=$OUT CORES=$CORES began=$began \
  MEASURE_SETS='$MEASURE_SETS'; evaluate_all"
