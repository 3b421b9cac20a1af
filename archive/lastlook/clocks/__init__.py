"""How a camera's clock stands, found from pictures of the clock card. Pure: no I/O, no clock read.

card.py       the text of the card's code: an instant, how long it was on show, check digits
qr.py         that text as a QR code, to be drawn on a page, in a terminal, in a file
reference.py  a picture of the card + what its camera wrote → one `ClockReference`
line.py       references → the set of all lines (offset + drift) that agree with them; least squares within it
segments.py   where the clock was set anew, which reference fits nothing, whether it follows summer time
stretches.py  the answer as `ClockCorrection`s, each with the doubt that remains in its stretch of time
fit.py        all of it together
"""
