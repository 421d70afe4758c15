"""A drawing's list of characteristics, as spreadsheets write one: every row looked over, nothing dropped unsaid."""

from gaugepost.edge.drawing_list.cells import (
    MOST_CHARACTERS as MOST_CHARACTERS,
    Cells as Cells,
    read_cells as read_cells,
)
from gaugepost.edge.drawing_list.looked_over import Looked as Looked, look_over as look_over
from gaugepost.edge.drawing_list.rows import Asked as Asked, Row as Row, Said as Said, State as State
