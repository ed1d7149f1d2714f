"""A plant in small: a few slabs of one made-up face, cut into photos."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from rakelight.batch.manifest import BatchItem
from rakelight.core.settings import FindSettings, Settings


@pytest.fixture(scope="session")
def plant(made_up, tmp_path_factory) -> Path:
    """Return a folder of two slabs with three photos each; one more is no picture."""
    folder = tmp_path_factory.mktemp("plant é")
    for number in range(6):
        slab = folder / f"slab {number // 3}"
        slab.mkdir(exist_ok=True)
        turned = np.ascontiguousarray(made_up.rgb[:, 130 * number : 130 * number + 150])
        Image.fromarray(turned).save(slab / f"photo {number}.jpg", quality=92)
    (folder / "slab 1" / "torn.jpg").write_bytes(b"not a picture")
    return folder


@pytest.fixture(scope="session")
def said() -> BatchItem:
    """Return what holds for every photo of the plant."""
    return BatchItem("", job="Plant", stage="after demold", scale="0.15", lamp="270 15")


@pytest.fixture(scope="session")
def settings() -> Settings:
    """Return the settings the batch runs with."""
    return Settings(find=FindSettings(threads=1))
