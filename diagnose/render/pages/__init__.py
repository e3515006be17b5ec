"""What goes onto paper and into a browser: timelines, handouts, the page that plays, debriefs.

Every page is one file: no network, no other files. Styles and scripts stand beside the modules.
"""
