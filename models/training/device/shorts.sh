#!/usr/bin/env bash
# Short trainings of equal steps, each without one look (models.training.unseen_looks), some at a time on one GPU.
# Started by job.sh in a session of its own, with its variables; ends by itself.
#   SHORT_GPU, SHORT_AT_ONCE, SHORT_STEPS, SHORT_BATCH, SHORT_MOST (rendered frames of each), SHORT_END: second of the
#   epoch after which none is begun and all end.
set -u
cd "$WORK/code" || exit 1
export CUDA_VISIBLE_DEVICES="$SHORT_GPU" OMP_NUM_THREADS=2
one() {
  name="$1"; shift
  [ $(($(date +%s) + 40)) -gt "$SHORT_END" ] && { echo "$name: no time left"; return; }
  $PY -m models.training.train_people "$@" --name "$name" --data "$WORK/data" --out "$WORK/shorts" --host \
    --until "$SHORT_END" --steps "$SHORT_STEPS" --batch "$SHORT_BATCH" --most "$SHORT_MOST" --seed 7 \
    --pretrained "$WORK/pretrained/coco_detector" > "$WORK/short_$name.log" 2>&1
  tail -n 1 "$WORK/short_$name.log"
}
export -f one
export SHORT_END SHORT_STEPS SHORT_BATCH SHORT_MOST WORK PY
$PY -m models.training.unseen_looks --plan | xargs -P "$SHORT_AT_ONCE" -I{} bash -c 'one {}'
touch "$WORK/shorts/done"
