# Steps shared by smoke.sh and job.sh; sourced after setup.sh.
REAL_SETS="${REAL_SETS:-$CARRY/wide_camera_people}"
MEASURE_SETS="${MEASURE_SETS:-$CARRY/wide_camera_people $CARRY/rugby_night}"
COCO="${COCO:-$CARRY/pretrained/coco_detector}"
RENDER_WORKERS="${RENDER_WORKERS:-$CORES}"

# render SPLIT COUNT SEED SECONDS: stills of one split into $WORK/stills_SPLIT; what is there at the limit counts.
render() {
  timeout "$4" $PY -m models.training.film.stills --out "$WORK/stills_$1" --split "$1" --count "$2" --seed "$3" \
    --workers "$RENDER_WORKERS" --shard "${SHARD:-8}" > "$WORK/render_$1.log" 2>&1
  say "rendered $1: $(grep " a second" "$WORK/render_$1.log" | tail -n 1)"
  grep -m 1 -A 8 Traceback "$WORK/render_$1.log"
  ls "$WORK/stills_$1"/shard_*.json > /dev/null 2>&1 || { say "no stills: nothing to train on"; exit 1; }
}

prepare() {
  $PY -m models.training.people_data --rendered "$WORK/stills_train" --real $REAL_SETS --out "$WORK/data" \
    --box "${BOX:-visible}" --workers "$CORES" 2>&1 | tail -2
  [ -s "$WORK/data/labels.npz" ] || { say "no packed frames: nothing to train on"; exit 1; }
  say "data ready"
}

# train_people NAME GPU UNTIL [START]: in the background, in a session of its own, until that second of the epoch.
train_people() {
  CUDA_VISIBLE_DEVICES=$2 OMP_NUM_THREADS=4 setsid nohup $PY -m models.training.train_people --candidate "$1" \
    --data "$WORK/data" --out "$WORK/runs" --until "$3" --batch "${BATCH:-32}" --seed "$2" \
    --pretrained "$COCO" ${4:+--start "$4"} > "$WORK/train_$1.log" 2>&1 &
  echo $! >> "$WORK/pids"
}

# train_marks GPU MINUTES: the registration networks (MARKS=0 leaves them out).
train_marks() {
  [ "${MARKS:-1}" = 1 ] || return 0
  local start=()
  [ -d "$WORK/marks_before" ] && start=(--start "$WORK/marks_before")
  CUDA_VISIBLE_DEVICES=$1 OMP_NUM_THREADS=6 setsid nohup $PY -m models.training.train_marks --data "$WORK/stills_train" \
    --val "$WORK/stills_test" --minutes "$2" --out "$WORK/marks" "${start[@]}" > "$WORK/train_marks.log" 2>&1 &
  echo $! >> "$WORK/pids"
}

# wait_for SECONDS: until all trainings left their mark of a proper end, or the limit. A training that broke off is
# waited for until its time is over, for a process of an earlier call may not be seen from this one.
wait_for() {
  local end=$(( $(date +%s) + $1 )) alive open until
  until=$(cat "$WORK/until" 2>/dev/null || echo 0)
  while [ "$(date +%s)" -lt "$end" ]; do
    alive=0 open=0
    for p in $(cat "$WORK/pids"); do kill -0 "$p" 2>/dev/null && alive=$((alive + 1)); done
    for l in "$WORK"/train_*.log; do
      case "$l" in
        */train_marks.log) [ -e "$WORK/marks/marks_metrics.json" ] || open=$((open + 1)) ;;
        *) c=$(basename "$l" .log); [ -e "$WORK/runs/${c#train_}/done" ] || open=$((open + 1)) ;;
      esac
    done
    [ "$open" = 0 ] && break
    [ "$alive" = 0 ] && [ "$(date +%s)" -gt $((until + 10)) ] && break
    sleep 1
  done
  say "waited; $open trainings not done, $alive processes seen"
}

# export_all: ONNX of every candidate that has weights.
export_all() {
  mkdir -p "$WORK/onnx"
  local jobs=()
  for w in "$WORK"/runs/*/weights/last.pt; do
    [ -e "$w" ] || continue
    c=$(basename "$(dirname "$(dirname "$w")")")
    CUDA_VISIBLE_DEVICES= $PY -m models.training.export_people --weights "$w" --onnx "$WORK/onnx/$c.onnx" \
      > "$WORK/export_$c.log" 2>&1 & jobs+=($!)
  done
  for j in "${jobs[@]}"; do wait "$j"; done
  for c in "$WORK"/export_*.log; do tail -n 1 "$c"; done
  say "exported: $(ls "$WORK/onnx" | tr '\n' ' ')"
}

# evaluate_all [LIMIT]: figures of every finder on every set, into $OUT/people_metrics.json
evaluate_all() {
  $PY -m models.training.evaluate_people --onnx "$WORK"/onnx/*.onnx --rendered "$WORK/stills_test" \
    --real $MEASURE_SETS --json "$OUT/people_metrics.json" --workers "$CORES" --limit "${1:-0}" 2>&1 | tail -60
  say "measured"
}

# pack: weights into at most three archives of under 15 MiB, logs into one.
pack() {
  for l in "$WORK"/train_*.log; do echo "$(basename "$l"):"; tail -n 3 "$l" | cut -c1-300; done
  tar -C "$WORK" -czf "$OUT/logs.tgz" $(cd "$WORK" && ls *.log runs/*/log.json marks/*.json 2>/dev/null) 2>/dev/null
  local n=1 size=0 list=()
  for f in $(ls -S "$WORK"/onnx/*.onnx 2>/dev/null); do
    s=$(stat -c %s "$f")
    if [ $((size + s)) -gt 15500000 ] && [ ${#list[@]} -gt 0 ]; then
      tar -C "$WORK/onnx" -cf "$OUT/people_onnx_$n.tar" "${list[@]}"
      n=$((n + 1)); size=0; list=()
      [ "$n" -gt "${MOST_ARCHIVES:-3}" ] && break
    fi
    list+=("$(basename "$f")"); size=$((size + s))
  done
  [ ${#list[@]} -gt 0 ] && tar -C "$WORK/onnx" -cf "$OUT/people_onnx_$n.tar" "${list[@]}"
  if [ -d "$WORK/marks" ]; then
    for f in "$WORK"/marks/*.onnx; do gzip -c "$f" > "$OUT/$(basename "$f").gz"; done
    tail -n 5 "$WORK/train_marks.log" | cut -c1-400
  fi
  # averaged weights of the people finders, to go on from: as many as fit
  for w in "$WORK"/runs/*/weights/last.pt; do
    [ "$(ls "$OUT" | wc -l)" -ge 7 ] || [ "$(du -sb "$OUT" | cut -f1)" -gt 54000000 ] && break
    [ -e "$w" ] && [ "$(stat -c %s "$w")" -lt 16000000 ] && cp "$w" "$OUT/$(basename "$(dirname "$(dirname "$w")")").pt"
  done
  ls -la "$OUT"
  say "packed"
}
