"""The station file: what one bench consists of, written by hand in TOML, checked whole before anything runs."""

from gaugepost.edge.stationfile.adapters import (
    DestinationPlan as DestinationPlan,
)
from gaugepost.edge.stationfile.adapters import (
    LinkPlan as LinkPlan,
)
from gaugepost.edge.stationfile.findings import (
    Finding as Finding,
)
from gaugepost.edge.stationfile.findings import (
    Severity as Severity,
)
from gaugepost.edge.stationfile.findings import (
    StationFileError as StationFileError,
)
from gaugepost.edge.stationfile.station import (
    Station as Station,
)
from gaugepost.edge.stationfile.station import (
    read_station as read_station,
)
from gaugepost.edge.stationfile.values import (
    StartFrom as StartFrom,
)
