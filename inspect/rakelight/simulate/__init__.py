"""Made-up slabs of known truth, lit and photographed, for tests, the demo and training."""

from .camera import Camera
from .lamp import Lamp
from .recipes import choose_recipe
from .scene import simulate_photo
from .slab import make_slab

__all__ = ["Camera", "Lamp", "choose_recipe", "make_slab", "simulate_photo"]
