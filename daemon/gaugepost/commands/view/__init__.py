"""A published record as lines for a terminal of 80 columns: what was measured, where it lies, and why.

Pure: no I/O, no clock. Whatever a gauge, a tag or a file put into a record, only printable characters leave here.

    14:03:22  piece 4 · spool-bore · bore-38
           38.024 mm     38.000 ····├────────┼───────◆┤···· 38.025      in limits
              deviation +0.024 · master -2.3 µm · thermal -1.9 µm · part 24.10 °C
"""

from gaugepost.commands.view.lines import (
    lines as lines,
    value_text as value_text,
    verdict_text as verdict_text,
)
from gaugepost.commands.view.style import Style as Style, clean as clean
