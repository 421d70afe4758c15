"""The station file: what one bench consists of, written by hand in TOML, checked whole before anything runs."""

from gaugepost.edge.stationfile.adapters import (
    DestinationPlan as DestinationPlan,
    LinkPlan as LinkPlan,
)
from gaugepost.edge.stationfile.findings import (
    Finding as Finding,
    Severity as Severity,
    StationFileError as StationFileError,
)
from gaugepost.edge.stationfile.station import (
    Station as Station,
    read_station as read_station,
)
from gaugepost.edge.stationfile.values import (
    StartFrom as StartFrom,
)
