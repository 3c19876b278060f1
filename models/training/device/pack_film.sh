#!/usr/bin/env bash
# pack_film.sh FOLDER ARCHIVES: finished clips of FOLDER that no call took yet, into at most so many archives in $OUT.
set -u
cd "$1" || exit 0
most=15500000
for k in $(seq 1 "$2"); do
  size=0
  list=()
  for truth in test_*.truth.json; do
    clip="${truth%.truth.json}"
    [ -e "$clip.mp4" ] && [ ! -e "$clip.taken" ] || continue
    s=$(($(stat -c %s "$clip.mp4") + $(stat -c %s "$truth")))
    [ $((size + s)) -gt $most ] && break
    list+=("$clip.mp4" "$truth")
    size=$((size + s))
    touch "$clip.taken"
  done
  [ ${#list[@]} -gt 0 ] && tar -cf "$OUT/film_$(date +%H%M%S)_$k.tar" "${list[@]}"
done
ls test_*.mp4 2>/dev/null | wc -l
