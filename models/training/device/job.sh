#!/usr/bin/env bash
# The real training, time-boxed. Run from the repository root; see setup.sh for the folders.
#   PHASE=round   render (unless SKIP_RENDER=1), train, measure, pack: one call does it all         (default)
#   PHASE=start   render and start the trainings in sessions of their own, leave them running, pack snapshots
#   PHASE=finish  wait for trainings that run already, measure, pack
# COUNT, TEST_COUNT stills; RENDER_SECONDS limit of the rendering; TRAIN_MINUTES of every training; CANDIDATES names
# in models/training/train_people.py; GO_ON=1 starts from the weights of the round before (same machine);
# LIMIT_SECONDS of this call: $OUT is filled before it. The registration networks train beside (MARKS=0: not).
set -u
here="$(dirname "$0")"
. "$here/setup.sh"
. "$here/steps.sh"
PHASE="${PHASE:-round}"
CANDIDATES="${CANDIDATES:-scratch trunk wide free}"
LIMIT_SECONDS="${LIMIT_SECONDS:-590}"
left() { echo $(( LIMIT_SECONDS - ($(date +%s) - began) )); }

start_all() {
  : > "$WORK/pids"
  if [ "${GO_ON:-0}" = 1 ]; then
    rm -rf "$WORK/before" && mkdir -p "$WORK/before"
    for w in "$WORK"/runs/*/weights/last.pt; do
      cp "$w" "$WORK/before/$(basename "$(dirname "$(dirname "$w")")").pt"
    done
  fi
  rm -rf "$WORK/marks_before"
  [ "${GO_ON:-0}" = 1 ] && [ -d "$WORK/marks" ] && mv "$WORK/marks" "$WORK/marks_before"
  rm -rf "$WORK/runs" "$WORK/onnx" "$WORK/marks"
  local n i=0 begin
  n=$(echo $CANDIDATES | wc -w)
  for c in $CANDIDATES; do
    begin=""
    [ -e "$WORK/before/$c.pt" ] && [ "${GO_ON:-0}" = 1 ] && begin="$WORK/before/$c.pt"
    train_people "$c" $((i % (GPUS > 0 ? GPUS : 1))) "$TRAIN_MINUTES" \
      "${LOADER_WORKERS:-$(( (CORES - ${MARKS_CORES:-4}) / n ))}" "$begin"
    i=$((i + 1))
  done
  train_marks $((GPUS > 0 ? GPUS - 1 : 0)) "${MARKS_MINUTES:-$TRAIN_MINUTES}"
  say "started: $CANDIDATES"
}

if [ "$PHASE" != finish ]; then
  if [ "${SKIP_RENDER:-0}" != 1 ]; then
    render test "${TEST_COUNT:-240}" 900001 "${TEST_SECONDS:-40}"
    render train "${COUNT:-6000}" "${SEED:-1}" "${RENDER_SECONDS:-170}"
    prepare
  fi
  start_all
fi
sleep 20
nvidia-smi --query-gpu=utilization.gpu,memory.used --format=csv,noheader 2>/dev/null
uptime
if [ "$PHASE" = start ]; then
  wait_for $(( $(left) - 40 ))
  export_all
  pack
  exit 0
fi
wait_for $(( $(left) - ${MEASURE_SECONDS:-75} ))
export_all
timeout $(( $(left) - 10 )) bash -c "$(declare -f evaluate_all say); PY=$PY WORK=$WORK OUT=$OUT CORES=$CORES began=$began \
  MEASURE_SETS='$MEASURE_SETS'; evaluate_all"
pack
