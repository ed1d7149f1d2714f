"""Geometry of the printed scale card and marks, in mm as printed at 100 %.

Card places run right and down from the card's top-left corner. Changing any number here makes
cards that were printed before unreadable; add a new card instead.
"""

PAPERS_MM = {
    "a4": (210.0, 297.0),
    "us-letter": (215.9, 279.4),
}  # ISO 216, read; Letter, from memory
CARD_SIDE_MM = 190.0
CARD_TOP_MM = 10.0
FIDUCIAL_SIDE_MM = 30.0
# Ids 0-3 by their top-left corner, clockwise. A white rim of one cell (5 mm) stays around each.
FIDUCIALS_MM = {0: (5.0, 5.0), 1: (155.0, 5.0), 2: (155.0, 155.0), 3: (5.0, 155.0)}
RULE_MM = 100.0
RULE_AT_MM = (45.0, 176.0)
FIELD_MM = (95.0, 95.0)
FIELD_RADIUS_MM = 72.0
GREY_PATCH_MM = (170.0, 60.0, 16.0, 70.0)  # x, y, width, height
GREY_LEVEL = 119  # sRGB 119 is L* 50: middle grey on a printer that prints greys true
POST_CORNER_MM = (91.0, 91.0)
POST_WALL_MM = 12.0  # both the height and the length of its walls
POST_FLAP_MM = 6.0

MARK_SIDE_MM = 80.0
MARK_CUT_MM = 110.0
FIRST_MARK_ID = 4  # 0-3 are the card's own
N_DICTIONARY = 50

BOARD_CORNERS = (9, 6)  # inner corners of the chessboard for the lens: 10 x 7 squares
BOARD_SQUARE_MM = 25.0
