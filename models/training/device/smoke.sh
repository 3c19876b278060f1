#!/usr/bin/env bash
# Proves the whole chain on the training machine in under two minutes: installs, EGL, 64 stills, a short training of
# each kind, export, measuring. Its figures mean nothing. Run from the repository root; see setup.sh for the folders.
set -u
here="$(dirname "$0")"
. "$here/setup.sh"
WORK="$WORK/smoke"
mkdir -p "$WORK"
. "$here/steps.sh"
: > "$WORK/pids"
CANDIDATES="${CANDIDATES:-trunk}"
SHARD=2 render train "${COUNT:-64}" 1 60
SHARD=1 render test 16 900001 30
prepare
i=0
echo $(( $(date +%s) + ${TRAIN_SECONDS:-40} )) > "$WORK/until"
for c in $CANDIDATES; do
  train_people "$c" $((i % (GPUS > 0 ? GPUS : 1))) $(( $(date +%s) + ${TRAIN_SECONDS:-40} ))
  i=$((i + 1))
done
train_marks $((GPUS > 0 ? GPUS - 1 : 0)) $(( $(date +%s) + ${TRAIN_SECONDS:-40} ))
sleep 15
nvidia-smi --query-gpu=utilization.gpu,memory.used --format=csv,noheader 2>/dev/null
uptime
wait_for "${WAIT_SECONDS:-45}"
export_all
evaluate_all 8
pack
