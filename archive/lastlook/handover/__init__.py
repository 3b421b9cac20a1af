"""The hand-over record: what the client gets, made from one model of its content.

    topics.py    what a record says beyond pictures: lifting, supply, cleaning …     words.py     languages
    content.py   the model: chapters, statements, figures, tables; pictures           compose.py   material → content
    chapters.py  one function a chapter                                               texts.py     times and figures
    site.py      pages that work from a memory stick   printed.py   PDF               tables.py    CSV and JSON
    metadata.py  what is written into copies, and what is kept out of them            around.py    before and after
    stripping.py originals without their metadata (cleaning.py, bare_photos.py, bare_clips.py, profiles.py)
    bag.py       BagIt (RFC 8493)                      packing.py   ZIP               signing.py   a detached signature

Nothing in here opens an archive: `lastlook.handing_over` gathers the material and writes what these make.
"""
