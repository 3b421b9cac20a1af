"""What each clip holds in view, for how long, and what is said meanwhile."""

from dataclasses import dataclass
from datetime import datetime

from story import local


@dataclass(frozen=True)
class Hold:
    """A state held in view: frame, window (centre x, centre y, width as shares of the frame), seconds."""

    frame: str
    window: tuple[float, float, float]
    seconds: float
    what: str
    move: float = 2.4  # seconds of movement that lead to it
    refocus: bool = False


@dataclass(frozen=True)
class Clip:
    """A recording by the phone; sidecar is srt or vtt; said gives (hold index, seconds into it, length, words)."""

    path: str
    at: datetime
    size: tuple[int, int]
    sidecar: str
    subassemblies: tuple[str, ...]
    steps: tuple[str, ...]
    holds: tuple[Hold, ...]
    said: tuple[tuple[int, float, float, str], ...]
    variable: bool = False
    turned: bool = False
    rate: int = 15


CLIPS = (
    Clip(
        "clips/VID_20260309_111230.mp4",
        local("03-09 11:12:30"),
        (1280, 720),
        "srt",
        ("BHD-11",),
        ("S03",),
        (
            Hold("c1_bare", (0.50, 0.50, 0.97), 8, "bulkhead 11 in the fore hull, no terminal block yet", 0),
            Hold("c1_bare", (0.36, 0.60, 0.52), 6, "the empty grommet in bulkhead 11", 3),
            Hold("c1_block", (0.50, 0.50, 0.95), 8, "terminal block TB fitted on the after face", 4, True),
            Hold("c1_block", (0.46, 0.46, 0.50), 9, "TB close, seven empty ways", 3),
            Hold("c1_block", (0.62, 0.62, 0.60), 6, "bulkhead 11 with its name card", 2.5),
        ),
        (
            (0, 0.8, 5.5, "Monday, ninth of March. This is bulkhead 11, bonded into the fore hull last week."),
            (1, 0.4, 5.0, "The grommet is in, eight millimetres clear, nothing through it yet."),
            (2, 0.3, 6.5, "Here is the terminal block, TB, screwed to the after face. Way one is on the port side."),
            (3, 0.5, 4.0, "Ways one to seven: red feed, common, white, orange, yellow, green, and the spare."),
            (3, 4.8, 4.0, "Nothing is landed yet, all seven screws are open."),
            (4, 0.4, 5.0, "The card says BHD-11 so that nobody mistakes it for the forward one."),
        ),
    ),
    Clip(
        "clips/2026-03-20 loom through bulkhead 11.mp4",
        local("03-20 12:18:10"),
        (1280, 720),
        "srt",
        ("BHD-11", "MAST"),
        ("S08",),
        (
            Hold("c2_pull0", (0.50, 0.50, 0.96), 7, "only W07 and W08 pass the grommet, loom not through yet", 0),
            Hold("c2_pull1", (0.38, 0.58, 0.55), 5, "the tips of W03 to W06 and W10 show in the grommet", 3),
            Hold("c2_pull2", (0.42, 0.60, 0.70), 6, "about 90 mm of the loom hangs aft of bulkhead 11", 3),
            Hold("c2_pull3", (0.45, 0.58, 0.92), 7, "about 175 mm pulled, the ends lie on the mat", 3),
            Hold("c2_landed", (0.50, 0.50, 0.96), 8, "all five landed in TB", 4, True),
            Hold(
                "c2_landed",
                (0.46, 0.47, 0.52),
                9,
                "TB close: white in 3, orange in 4, grey and blue in 2, violet in 7",
                3,
            ),
        ),
        (
            (
                0,
                0.6,
                5.8,
                "Twentieth of March, the mast stands loose in its foot box. Now the loom goes through bulkhead 11.",
            ),
            (1, 0.2, 4.5, "There are the tips: W03, W04, W05, W06 and the spare W10."),
            (2, 0.3, 5.0, "I pull slowly from aft, the grommet takes all five beside W07 and W08."),
            (3, 0.3, 6.0, "That is enough to land them. The white one, W03, is the lantern's plus."),
            (4, 0.3, 6.5, "All landed. W03 white in way three, W05 orange in four, W10 violet in seven."),
            (5, 0.4, 4.2, "Grey W04 and blue W06 share the common, way two, with the black ones."),
            (5, 5.0, 3.5, "Looks tidy from here. The mast foot end I check next."),
        ),
    ),
    Clip(
        "clips/VID_20260324_132910.mov",
        local("03-24 13:29:10"),
        (720, 1280),
        "vtt",
        ("MAST", "HULL-F"),
        ("S09",),
        (
            Hold("c3_bare", (0.50, 0.50, 0.96), 7, "W03 lengthened: soldered joint bare, no sleeve", 0),
            Hold("c3_bare", (0.40, 0.48, 0.55), 6, "the bare joint of W03 close", 3),
            Hold("c3_spliced", (0.40, 0.48, 0.55), 7, "splice of W03 under a black sleeve", 4, True),
            Hold("c3_spliced", (0.54, 0.50, 0.72), 7, "the new service loop of W03 in the foot box", 3),
        ),
        (
            (0, 0.4, 5.8, "W03 came out too short yesterday, taut at the mast foot, so I let in a piece."),
            (1, 0.3, 5.0, "This is the joint, soldered, still bare, just aft of the foot box."),
            (2, 0.4, 5.8, "Sleeve on and shrunk. The splice in W03 is covered now."),
            (3, 0.4, 6.0, "And the loop in the foot box is eighty millimetres again. All the others are as before."),
        ),
        turned=True,
    ),
    Clip(
        "clips/VID_20260327_112905.mp4",
        local("03-27 11:29:05"),
        (1280, 720),
        "vtt",
        ("MAST", "HULL-F"),
        ("S12",),
        (
            Hold("c4_open", (0.50, 0.50, 0.94), 7, "mast foot box open, loops of W03 to W06 in it, lid on the mat", 0),
            Hold("c4_open", (0.56, 0.56, 0.56), 6, "the loops close", 2.5),
            Hold("c4_seated", (0.55, 0.54, 0.66), 4, "mast lowered into its socket, box still open", 3, True),
            Hold("c4_closed", (0.55, 0.54, 0.66), 7, "lid and collar on, mast foot closed", 4, True),
            Hold("c4_closed", (0.50, 0.50, 0.94), 5, "the closed mast foot in the fore hull", 2.5),
        ),
        (
            (
                0,
                0.4,
                5.8,
                "Last look into the mast foot. W03, W04, W05 and W06 lie in their loops, the spare is under its tab.",
            ),
            (1, 0.3, 5.0, "Released this morning, tests are on the sheet."),
            (2, 0.2, 3.5, "Mast down into the socket, nothing pinched."),
            (3, 0.4, 5.5, "Lid on, collar on, epoxy all round. The mast foot is closed."),
            (4, 0.3, 4.2, "From now on the loops can only be seen in the pictures."),
        ),
        variable=True,
    ),
    Clip(
        "clips/VID_20260409_114410.mp4",
        local("04-09 11:44:10"),
        (1280, 720),
        "srt",
        ("DECK-M", "HULL-F", "HULL-A"),
        ("S17",),
        (
            Hold("c5_open", (0.50, 0.50, 0.97), 7, "open hull, W01, W02 aft and the loom forward in view", 0),
            Hold("c5_open", (0.66, 0.50, 0.56), 6, "fore hull with W07 and W08 on the port side", 3),
            Hold("c5_open", (0.40, 0.50, 0.56), 6, "bulkhead 11 from above with TB and W09 standing up", 3),
            Hold("c5_above", (0.50, 0.50, 0.95), 5, "main deck held over the hull", 4, True),
            Hold("c5_closed", (0.50, 0.50, 0.97), 8, "main deck bonded on, deckhouse without roof on it", 4, True),
            Hold("c5_closed", (0.50, 0.50, 0.56), 6, "deckhouse without roof, W09 in it", 3),
        ),
        (
            (0, 0.5, 5.8, "Ninth of April, the last time anybody looks into this hull from above."),
            (1, 0.3, 5.2, "Fore hull: W07 yellow and W08 black along the port side to the port lights."),
            (2, 0.3, 5.2, "Bulkhead 11 and the green one, W09, standing up for the deckhouse."),
            (3, 0.2, 4.3, "The main deck comes over, adhesive is on the shelves."),
            (4, 0.5, 6.5, "Down. Deck on, W09 is through the deckhouse floor. Clamps until tomorrow."),
            (5, 0.4, 5.0, "The roof stays off for now, it only sits on magnets."),
        ),
    ),
)
