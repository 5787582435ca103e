"""Facts of the trade: what is usual on fretted instruments, where nobody said otherwise.

Every value is ``common practice, no source`` unless it says more; `U` in a name means standard uncertainty.
"""

from __future__ import annotations

from typing import Literal, get_args

Side = Literal["treble", "bass"]
SIDES: tuple[Side, ...] = get_args(Side)
"""Of a board, and so the two ends of a fret and the two outer strings."""
SIDE_OF_STRING = {"first": SIDES[0], "last": SIDES[1]}
"""On which side each of the two runs."""
CROWN_WIDTH_MM, CROWN_WIDTH_U_MM = 2.45, 0.32
CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM = 1.15, 0.15
"""A crown that nobody measured: in the middle of 1.9 to 3.0 mm wide and 0.9 to 1.4 high, which leaves out only the
highest of the classes in `wire_sizes.toml` when new; u is the range over the root of 12 (GUM 4.3.7)."""
CALLIPER_U_MM = 0.03
"""Of a crown's width or height as given: read by calliper on a rounded, filed thing, or from a wire's list."""
BOARD_RADIUS_MM = 320.0
"""A usual board radius, in the middle of those that most boards have, 240 to 410 mm."""
ROUNDEST_BOARD_MM = 184.0
"""Boards are made from flat to this radius, 7 1/4 inches."""
WIDENING, WIDENING_U = 0.014, 0.004
"""How much further out each of a board's edges lies, a millimetre nearer to the body: 42 mm wide at the nut and 56 at
the last of 24 frets, 486 mm on, give 0.0144; outer strings 34 to 37 mm apart at the nut and 50 to 55 at the bridge of
648 mm give 0.010 to 0.016."""
FRET_LENGTH_MM = 46.0
"""Length of a fret that no photo shows whole: boards are about 42 mm wide at the nut and 56 at the last fret."""
MOST_IN_COURSE = 3
"""Most strings in one course."""
HIGHEST_FRET = 36
"""No board has more frets: 36 is three octaves."""
SLOT_U_MM = 0.05
"""Of a fret's place against equal temperament: slots are sawn to about a tenth of a millimetre."""
SPREAD_NUT_MM, SPREAD_BRIDGE_MM = 35.5, 52.0
"""Distances between the outer strings: 34 to 37 mm at the nut, 50 to 55 at the bridge."""
BEVEL_DEG = 30.0
"""Bevel of a fret's end from the upright: 30 degrees are usual, some prefer 35, about 20 where ends are rounded."""
ASSUMED_END_U_MM = 0.3
"""Of a fret's end whose bevel could not be read: 20 to 35 degrees on a 1.2 mm crown."""
FLAT_FROM_MM = 0.3
"""Width from which a flat counts: its length is stated where it is at least so wide. By definition; a chord this wide
lies 0.01 mm under the top of a usual crown, a tenth of what one levelling takes."""
SAME_SPOT_MM = 1.5
"""Two readings closer than this along a fret are of the same spot: well under half the distance of two strings."""
SAME_WIRE_MM = 0.05
"""Two wires this close are of one size: neighbouring sizes are about 0.1 mm apart."""
STRING_INSET_MM, STRING_INSET_U_MM = 3.5, 0.20
"""An outer string's middle from the board's edge: 3 to 4 mm, the middle of that more often than its bounds: triangular,
0.5 / sqrt(6) (GUM 4.3.9)."""
STRING_INSET_GIVEN_U_MM = 0.12
"""The same where it was measured: by rule, over the board's rounded edge."""
END_SHORT_MM, END_SHORT_U_MM = 0.25, 0.15
"""How far a fret's end stops short of the board's edge, at the board: flush to half a millimetre, rectangular (GUM
4.3.7), one fret like the other."""
MOST_RELIEF_MM = 1.0
"""No neck that is played bows farther: more than 0.5 mm is sent back to be straightened."""
HEIGHT_FRET = 12
"""Fret at which a string's height is stated."""
MARKED_FRETS = (1, 3, 5, 7, 9, 10, 12, 15, 17, 19, 21, 22, 24)
DOUBLY_MARKED_FRETS = (12, 24)
"""Frets before which boards carry inlays; those that carry two."""
