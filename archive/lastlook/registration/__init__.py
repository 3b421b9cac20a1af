"""Registration: where a thing seen in one picture lies on another one, and how well that is known.

OpenCV's room for geometry. Pure functions over frozen records and arrays; no file, no database, no clock.

outlines.py   areas drawn on pictures            ties.py      pairs of points that are the same place
markers.py    printed square markers             features.py  points that match by themselves
fitting.py    the plane's map from ties taken as they are
checking.py   whether such a map may be believed, with its error, or is refused with the reason
plane.py      the plane's map between two pictures, from all ties that are known
camera.py     lenses                             pose.py      both cameras over the skin, from ties and known lengths
depth.py      from a run below the skin straight up to the skin
band.py       the keep-out band                  measure.py   lengths and angles on a plane
change.py     what differs between two aligned pictures
sameview.py   other pictures of the same place and side
trace.py      follow a wire between two points

Units: picture coordinates are pixels of the *upright* picture, x right, y down, origin at the top left; lengths are
millimetres; angles degrees where a name says so. "a" is always the picture that marks come from (inside), "b" the one
they are carried to (outside). A registration is an estimate with a band, never an assurance.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
