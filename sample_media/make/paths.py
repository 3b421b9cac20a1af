"""Where the makers keep their scratch files and where the finished media go."""

import os
from pathlib import Path

MEDIA = Path(__file__).resolve().parents[1]
SCRATCH = Path(os.environ.get("SAMPLE_SCRATCH", str(MEDIA.parent / ".sample_scratch")))
TEXTURES = SCRATCH / "textures"
FRAMES = SCRATCH / "frames"
