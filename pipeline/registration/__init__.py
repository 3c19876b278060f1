"""Field registration: where on the field a picture looks.

``Registrar(level, view).register(image_bgr, people, hint)`` for one picture, ``over_time(frames, registrations,
to_first_px)`` for the sampled frames of one shot.
"""

from pipeline.registration.over_time import over_time
from pipeline.registration.registrar import Registrar

__all__ = ["Registrar", "over_time"]
