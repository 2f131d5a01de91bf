"""The colours of pictures and pages: the shop's own pigments. Never the only sign of anything."""

HIGH = "#003153"  # Prussian blue: the blue that marks what stands proud
PAPER = "#fbfaf6"
INK = "#23282c"
THIN = "#9aa0a3"  # rules, scales, the plane a face is judged about
METAL = "#c9cdcf"  # level
LOW = "#8d9498"
BAND = "#7b93a6"
LOOK = "#c79a2b"  # straw: look here
SUSPECT = "#8c3b2a"  # red oxide
