"""Plays rendered as coaching film with per-pixel truth.

``draw.draw_look(rng, view, level, split)`` draws everything random about a picture as a ``look.Look``;
``still.render_still(play, time_index, look, size)`` gives one picture and its ``StillTruth``;
``clips.render_clip(play, look, out_dir, name, fps, size)`` writes a video with truth tables.
``python -m models.training.film.stills``, ``...clips`` and ``...statistics`` do it in bulk and measure it.
Needs OpenGL 3.3 through EGL: Mesa's software rasteriser or a GPU, no display.
"""
