"""What is written on the page."""

TITLE = "The way to the printer"
INTRODUCTION = (
    "Print this page on {paper} just as you print your pictures: the same program, the same settings, at its own "
    "size. Look at it dry, in daylight, and then type the answers: pathtest --answer. It is drawn at {ppi} pixels "
    "an inch. Settings have other names in each driver: follow the printer's manual."
)
PROFILE = "1   Does the profile in a file count?"
HONOURED = "HONOURED"
IGNORED = "IGNORED"
READ_PROFILE = (
    "One of the two words is clear and pink, the other a pale yellow that is hard to read. The clear one is the "
    "answer. The picture says the same: a green meadow under a blue sky with a yellow sun is honoured; a violet "
    "meadow under a green sky with a pink sun is ignored. Honoured: files may carry any profile. Ignored: send "
    "sRGB, as platemark does by itself. Where the config lets the file convert, and colour is switched off in the "
    "driver, ignored is as it should be."
)
SIZE = "2   Does it keep the size?"
READ_SIZE = (
    "Lay a ruler along the top of the square, from outer edge to outer edge: 100 mm. Then along its left side: "
    "the same. If both are longer or shorter, something fits the page to the paper: print at 100 per cent, with a "
    "border. If one is, the feed is off. The thin line around the page lies 6 mm from each edge of the paper; "
    "where it is missing, the printer has cut something off."
)
PIXELS = "3   Are pixels left alone?"
READ_PIXELS = (
    "Seen from arm's length, the five fine patterns are even greys. Waves, stripes or patches in them: something "
    "brings the file to another resolution. The small square has no rim: a dark or bright line around it means "
    "that something sharpens once more; switch that off."
)
PATTERNS = ("1 pixel, upright", "1 pixel, level", "1 pixel, checks", "2 pixels, upright", "2 pixels, checks")
EDGES = "an edge"
GREYS = "4   Are greys neutral?"
READ_GREYS = (
    "Below each grey are stripes of pure black and white, which hold no colour. A grey that looks pink, green, "
    "blue or brown against its stripes has a tint: choose the paper that is loaded in the driver, clean the "
    "nozzles, and print the page again. All greys tinted alike, and coloured pictures too: colours are converted "
    "twice."
)
