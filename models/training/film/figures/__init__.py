"""People as triangle meshes for rendered film: kits, bodies, poses."""

from models.training.film.figures.build import Mesh, build_meshes, gait_phase, soft_stance
from models.training.film.figures.cast import Bystander
from models.training.film.figures.poses import ALL_STANCES, STANCE, STANCES
from models.training.film.figures.wardrobe import Kit, Wardrobe, draw_wardrobe

__all__ = [
    "ALL_STANCES",
    "STANCE",
    "STANCES",
    "Bystander",
    "Kit",
    "Mesh",
    "Wardrobe",
    "build_meshes",
    "draw_wardrobe",
    "gait_phase",
    "soft_stance",
]
