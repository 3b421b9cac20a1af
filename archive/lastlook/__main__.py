"""`python -m lastlook`: the same as the installed command."""

from lastlook.cli.main import script

script()
