"""The viewer: pages over an archive, for one bench computer and, when asked, the phone beside it.

config.py         what a viewer is told            words.py           times, places and states in words
app.py            the application, one request     security.py        hosts, passcode, changes, headers
ask.py            question and answers             build.py           the build by subassembly and time
pictures.py       one picture and what is said of it
subassemblies.py  one subassembly's time line      clips.py           one clip, and keeping a moment of it
media.py          pictures and originals as files  sheets.py          the plan, what was not used, help
jobs.py           long work, started and watched   bench.py           photos straight from a phone
uploads.py        files as they come, piece by piece                  joining.py   letting a phone in
visits.py         who is in, and for how long      receiving.py       the server, and how much it takes in
lan.py            this machine's own addresses         warming.py   what pages keep, read before the first
"""

from lastlook_web.app import create_app, serve
from lastlook_web.config import ViewerConfig

__all__ = ["ViewerConfig", "create_app", "serve"]
