"""The live page: what `evenfall watch` shows of run folders in a browser.

Everything here reads; nothing writes, locks or speaks to a bench, so that watching cannot harm a
run. `tail` reads growing files, `story` makes of their rows what is told, `hub` tells it to many
at once, `shelf` finds runs and opens their files, `gate` says who may ask, `app` answers, `serve`
opens the port.
"""
