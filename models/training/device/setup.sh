# Sourced by the scripts beside it: prepares a bare Linux machine with an NVIDIA GPU, Python and torch, no network.
# Everything it needs travels with the repository in ignored folders:
#   WHEELS  wheels of what the machine's Python lacks       (default .whl)
#   LOADERS Debian packages with the EGL and OpenGL loaders (default .gl)
#   CARRY   real training frames and starting weights       (default .carry)
# OUT is where results go, WORK where everything else does.
WHEELS="${WHEELS:-.whl}"
LOADERS="${LOADERS:-.gl}"
CARRY="${CARRY:-.carry}"
# decoded training pictures take some 3 MB each; a later call goes where the first one went, however full it is by then
room=$(df -k --output=avail /dev/shm 2>/dev/null | tail -1)
fast="${TMPDIR:-/tmp}"
[ "${room:-0}" -gt 70000000 ] || [ -d /dev/shm/snapledger_training ] && fast=/dev/shm
[ -d "${TMPDIR:-/tmp}/snapledger_training" ] && fast="${TMPDIR:-/tmp}"
WORK="${WORK:-$fast/snapledger_training}"
OUT="${OUT:-$WORK/out}"
SITE="${SITE:-${TMPDIR:-/tmp}/site}"
PY="${PY:-python3}"
mkdir -p "$WORK" "$OUT"
began=$(date +%s)
say() { echo "[$(( $(date +%s) - began ))s] $*"; }

export PYTHONUNBUFFERED=1 OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
export YOLO_OFFLINE=1 YOLO_AUTOINSTALL=0 YOLO_CONFIG_DIR="$WORK/cfg"
mkdir -p "$YOLO_CONFIG_DIR"

if [ -d "$LOADERS" ] && [ "$(id -u)" = 0 ] && ! ldconfig -p | grep -q libEGL.so.1; then
  for f in "$LOADERS"/*.deb; do dpkg -x "$f" /; done
  ldconfig
fi
if [ -d "$WHEELS" ] && [ ! -e "$SITE/.done" ]; then
  $PY -m pip install -q --no-index --no-deps --no-compile --no-cache-dir --upgrade --target "$SITE" "$WHEELS"/*.whl \
    && touch "$SITE/.done" || { echo "the wheels cannot be installed"; exit 1; }
fi
[ -d "$SITE" ] && export PYTHONPATH="$SITE${PYTHONPATH:+:$PYTHONPATH}"

[ "${QUICK:-0}" = 1 ] && return 0 # folders and paths alone: nothing will be rendered or trained

egl() { $PY -c "
import moderngl
c = moderngl.create_context(standalone=True, backend='egl')
print('EGL:', c.info['GL_RENDERER'], '|', c.info['GL_VERSION'])" 2>&1 | tail -1; }
EGL_NOW="$(egl)"
if ! echo "$EGL_NOW" | grep -qi nvidia; then
  vendor=/usr/local/nvidia/share/glvnd/egl_vendor.d/10_nvidia.json
  [ -e "$vendor" ] && export __EGL_VENDOR_LIBRARY_FILENAMES="$vendor" && EGL_NOW="$(egl)"
fi
say "$EGL_NOW"
GPUS=$($PY -c "import torch; print(torch.cuda.device_count())")
CORES=$($PY -c "import os; print(len(os.sched_getaffinity(0)))")
say "$GPUS GPUs, $CORES cores, $($PY -c 'import cv2, torch, onnx, onnxruntime as o, ultralytics as u; print("cv2", cv2.__version__, "torch", torch.__version__, "onnx", onnx.__version__, "onnxruntime", o.__version__, "ultralytics", u.__version__)' 2>&1 | tail -1)"
