"""Published pictures to check against, fetched once: OpenCV's own samples as Debian packs them (opencv-doc).

The package is fetched with apt-get and unpacked without being installed, since slim images leave /usr/share/doc out.
Nothing of it is kept in the repository. Where it cannot be had the tests fail: a check that quietly does not run is
none. `LASTLOOK_WITHOUT_PUBLISHED=1` says on purpose that a machine has no way to a Debian mirror; .ci/run never does.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest

FOLDER = "./usr/share/doc/opencv-doc/examples/data/"
INSTALLED = Path("/usr/share/doc/opencv-doc/examples/data")
CACHE = Path(__file__).parent.parent / ".pytest_cache" / "opencv-doc"
SUMS = {
    # graf pair with its homography: Oxford affine-covariant regions set (Mikolajczyk et al., IJCV 65, 2005)
    "graf1.png": "1504b769303c7bde00fa578eeaad3c68e02aceabeb1242e556f1f8d19e4bdea5",
    "graf3.png": "492e0e96f21748d093e1a29f4dbfd46528bd75966937e85ce7c8abc0f361fc15",
    "H1to3p.xml": "9cd961fef3542462153a95acad164bc0da784622034a4eaf384c9beeaa19588f",
    # the lens that OpenCV's authors found from left01.jpg … left14.jpg
    "left_intrinsics.yml": "93a35a94eaaa63afba5128292cf2800fce3e783eba12a69e3d3731360d594684",
}
BOARD = tuple(f"left{n:02}.jpg" for n in (1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14))
OTHERS = ("aero1.jpg", "aero3.jpg", "leuvenA.jpg", "leuvenB.jpg", "box.png", "box_in_scene.png")


def file(name: str) -> Path:
    """A published file, its sum checked where it is known. Fails the test where it cannot be had."""
    if os.environ.get("LASTLOOK_WITHOUT_PUBLISHED") == "1":
        pytest.skip("LASTLOOK_WITHOUT_PUBLISHED=1: the published pictures were left out on purpose")
    path = _folder() / name
    if name in SUMS and hashlib.sha256(path.read_bytes()).hexdigest() != SUMS[name]:
        raise AssertionError(f"{path} is not the published file")
    return path


@cache
def _folder() -> Path:
    wanted = [*SUMS, *BOARD, *OTHERS]
    for folder in (CACHE, INSTALLED):
        if all((folder / name).is_file() for name in wanted):
            return folder
    apt, dpkg = shutil.which("apt-get"), shutil.which("dpkg-deb")
    if apt is None or dpkg is None:
        raise AssertionError("the published pictures come from Debian's opencv-doc: apt-get and dpkg-deb are needed")
    with tempfile.TemporaryDirectory() as work:
        subprocess.run([apt, "download", "opencv-doc"], cwd=work, check=True, capture_output=True, timeout=300)
        package = next(Path(work).glob("opencv-doc_*.deb"))
        archive = Path(work) / "files.tar"
        with archive.open("wb") as out:
            subprocess.run([dpkg, "--fsys-tarfile", str(package)], stdout=out, check=True, timeout=120)
        names = [FOLDER + name for name in wanted]
        subprocess.run(["tar", "-x", "-f", str(archive), "-C", work, *names], check=True, timeout=120)
        CACHE.parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(dir=CACHE.parent))
        for name in wanted:
            shutil.copyfile(Path(work) / FOLDER / name, fresh / name)
        try:
            fresh.rename(CACHE)
        except OSError:  # another test process was first
            shutil.rmtree(fresh)
    return CACHE
