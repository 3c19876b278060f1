# Steps shared by smoke.sh and job.sh; sourced after setup.sh.
REAL_SETS="${REAL_SETS:-$CARRY/wide_camera_people}"
# sets with held-back clips and sports left out; they may come in a later call than the frames trained on
MEASURE_SETS="${MEASURE_SETS:-$(ls -d "$CARRY"/held_back/wide_camera_people "$CARRY"/rugby_night 2> /dev/null | tr '\n' ' ')}"
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
# NAME: a candidate, or candidate.N for one of several trainings of it.
train_people() {
  CUDA_VISIBLE_DEVICES=$2 OMP_NUM_THREADS=4 setsid nohup $PY -m models.training.train_people --candidate "${1%%.*}" \
    --name "$1" --data "$WORK/data" --out "$WORK/runs" --until "$3" --batch "${BATCH:-32}" --seed "$2" \
    $([ -e "$COCO.json" ] && echo --pretrained "$COCO") ${4:+--start "$4"} > "$WORK/train_$1.log" 2>&1 &
  echo $! >> "$WORK/pids"
}

# train_marks GPU UNTIL [N]: the registration networks (MARKS=0 leaves them out), or the Nth training of them.
train_marks() {
  [ "${MARKS:-1}" = 1 ] || return 0
  local more=() to="marks${3:+_$3}"
  [ -d "$WORK/marks_before" ] && more=(--start "$WORK/marks_before")
  [ -n "${START_DIR:-}" ] && [ -e "${START_DIR:-}/marks_state.pt" ] && more=(--start "$START_DIR")
  [ -e "$WORK/data/real_bank.npz" ] && more+=(--borrow "$WORK/data")
  CUDA_VISIBLE_DEVICES=$1 OMP_NUM_THREADS=6 setsid nohup $PY -m models.training.train_marks --data "$WORK/stills_train" \
    --val "$WORK/stills_test" --until "$2" --batch "${MARKS_BATCH:-24}" --seed "${3:-0}" --out "$WORK/$to" \
    "${more[@]}" > "$WORK/train_$to.log" 2>&1 &
  echo $! >> "$WORK/pids"
}

# train_shorts GPU END: what an unseen look costs, see shorts.sh (SHORTS=0 leaves them out).
train_shorts() {
  [ "${SHORTS:-1}" = 1 ] || return 0
  rm -rf "$WORK/shorts" "$WORK/code" "$WORK/pretrained" "$WORK"/short_*.log
  mkdir -p "$WORK/shorts" "$WORK/code" "$WORK/pretrained"
  cp "$COCO".* "$WORK/pretrained/" && cp -r models pipeline configs "$WORK/code/"
  export WORK PY SHORT_GPU="$1" SHORT_END="$2" SHORT_AT_ONCE="${SHORT_AT_ONCE:-2}" SHORT_STEPS="${SHORT_STEPS:-700}"
  export SHORT_BATCH="${SHORT_BATCH:-16}" SHORT_MOST="${SHORT_MOST:-5000}"
  setsid nohup bash "$WORK/code/models/training/device/shorts.sh" > "$WORK/shorts.log" 2>&1 &
}

# wait_for_shorts SECONDS
wait_for_shorts() {
  local end=$(( $(date +%s) + $1 ))
  while [ "$(date +%s)" -lt "$end" ] && [ ! -e "$WORK/shorts/done" ]; do sleep 1; done
  cat "$WORK/shorts.log"
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
        */train_marks*.log) c=$(basename "$l" .log); [ -e "$WORK/${c#train_}/marks_metrics.json" ] || open=$((open + 1)) ;;
        *) c=$(basename "$l" .log); [ -e "$WORK/runs/${c#train_}/done" ] || open=$((open + 1)) ;;
      esac
    done
    [ "$open" = 0 ] && break
    [ "$alive" = 0 ] && [ "$(date +%s)" -gt $((until + 45)) ] && break
    sleep 1
  done
  say "waited; $open trainings not done, $alive processes seen"
}

# average_all: where several trainings of one candidate, or of the registration networks, went on from one start, the
# mean of their weights beside them: runs/CANDIDATE.mean, marks_mean
average_all() {
  local c w
  for c in $(for f in "$WORK"/runs/*.*; do basename "${f%.*}"; done | sort | uniq -d); do
    w=$(ls "$WORK/runs/$c".[0-9]*/weights/last.pt)
    $PY -m models.training.average_weights --people $w --out "$WORK/runs/$c.mean/weights/last.pt" 2>&1 | tail -n 1
  done
  w=$(ls -d "$WORK"/marks "$WORK"/marks_[0-9]* 2> /dev/null)
  [ "$(echo "$w" | wc -w)" -gt 1 ] && $PY -m models.training.average_weights --marks $w --out "$WORK/marks_mean" 2>&1 | tail -n 1
  say "averaged"
}

# export_all [FOLDER]: ONNX of every finder of runs (or shorts) that has weights, into onnx (or onnx_shorts).
export_all() {
  local from="${1:-runs}" to=onnx jobs=() w c
  [ "$from" = shorts ] && to=onnx_shorts
  mkdir -p "$WORK/$to"
  for w in "$WORK/$from"/*/weights/last.pt; do
    [ -e "$w" ] || continue
    c=$(basename "$(dirname "$(dirname "$w")")")
    ( CUDA_VISIBLE_DEVICES= $PY -m models.training.export_people --weights "$w" --onnx "$WORK/$to/$c.part" \
        && mv "$WORK/$to/$c.part" "$WORK/$to/$c.onnx" ) > "$WORK/export_$c.log" 2>&1 & jobs+=($!)
  done
  for j in "${jobs[@]}"; do wait "$j"; done
  tail -q -n 1 "$WORK"/export_*.log 2> /dev/null
  say "exported: $(ls "$WORK/$to" | tr '\n' ' ')"
}

# evaluate_all [LIMIT]: figures of every finder, and of the shipped one, on every set, into $OUT/people_metrics.json
evaluate_all() {
  local before=()
  [ -e models/people/people.onnx ] && mkdir -p "$WORK/before" && before=("$WORK/before/shipped_before.onnx") \
    && cp models/people/people.onnx "${before[0]}"
  $PY -m models.training.evaluate_people --onnx "$WORK"/onnx/*.onnx "${before[@]}" --rendered "$WORK/stills_test" \
    --real $MEASURE_SETS --json "$OUT/people_metrics.json" --workers "$CORES" --limit "${1:-0}" --looks 2>&1 | tail -60
  say "measured"
}

# evaluate_shorts [LIMIT]: what unseen looks cost, into $OUT/looks_metrics.json and $OUT/unseen_looks.json
evaluate_shorts() {
  $PY -m models.training.evaluate_people --onnx "$WORK"/onnx_shorts/*.onnx --rendered "$WORK/stills_test" \
    --real $MEASURE_SETS --json "$OUT/looks_metrics.json" --workers "${SHORT_WORKERS:-$CORES}" --limit "${1:-0}" \
    --looks > "$WORK/measure_shorts.log" 2>&1
}

# pack: finders' ONNX and weights, registration networks and their states, logs: at most 7 files under 16 MiB.
pack() {
  for l in "$WORK"/train_*.log; do echo "$(basename "$l"):"; tail -n 3 "$l" | cut -c1-300; done
  pack_logs
  local n=1 size=0 list=() f s
  for f in $(ls "$WORK"/onnx/*.mean.onnx 2>/dev/null) $(ls -S "$WORK"/onnx/*.onnx 2>/dev/null | grep -v "\.mean\."); do
    s=$(stat -c %s "$f")
    if [ $((size + s)) -gt 15500000 ] && [ ${#list[@]} -gt 0 ]; then
      tar -C "$WORK/onnx" -cf "$OUT/people_onnx_$n.tar" "${list[@]}"
      n=$((n + 1)); size=0; list=()
      [ "$n" -gt "${MOST_ARCHIVES:-1}" ] && break
    fi
    list+=("$(basename "$f")"); size=$((size + s))
  done
  [ ${#list[@]} -gt 0 ] && tar -C "$WORK/onnx" -cf "$OUT/people_onnx_$n.tar" "${list[@]}"
  pack_weights
  local from="$WORK/marks"
  [ -e "$WORK/marks_mean/marks.onnx" ] && from="$WORK/marks_mean"
  for f in "$from"/*.onnx "$from"/*_state.pt; do
    [ -e "$f" ] && [ "$(ls "$OUT" | wc -l)" -lt 7 ] && gzip -c "$f" > "$OUT/$(basename "$f").gz"
  done
  ls -la "$OUT"
  say "packed"
}

pack_logs() {
  tar -C "$WORK" -czf "$OUT/logs.tgz" \
    $(cd "$WORK" && ls *.log runs/*/log.json shorts/*/log.json marks*/*.json 2>/dev/null) 2>/dev/null
}

# averaged weights of the people finders, to go on from: as many as fit
pack_weights() {
  local w
  for w in $(ls "$WORK"/runs/*.mean/weights/last.pt 2> /dev/null || ls "$WORK"/runs/*/weights/last.pt); do
    [ "$(ls "$OUT" | wc -l)" -ge 7 ] || [ "$(du -sb "$OUT" | cut -f1)" -gt 54000000 ] && break
    [ -e "$w" ] && [ "$(stat -c %s "$w")" -lt 16000000 ] && cp "$w" "$OUT/$(basename "$(dirname "$(dirname "$w")")").pt"
  done
}
