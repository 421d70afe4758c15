"""All that an adapter may import: the three contracts, the words they speak, and the errors they raise."""

from gaugepost.contract.adapters import (
    AdapterSettings as AdapterSettings,
    Caution as Caution,
    Decoder as Decoder,
    Destination as Destination,
    Link as Link,
    Outcome as Outcome,
    Publication as Publication,
    Reaches as Reaches,
    Refusal as Refusal,
    StationFacts as StationFacts,
    sequence_of as sequence_of,
)
from gaugepost.contract.commands import (
    MOST_COMMAND_BYTES as MOST_COMMAND_BYTES,
    Asked as Asked,
    CommandSource as CommandSource,
    problem_details as problem_details,
    read_command as read_command,
)
from gaugepost.contract.continuous import (
    Continuous as Continuous,
    Stream as Stream,
)
from gaugepost.contract.refusal import (
    Key as Key,
    refusal as refusal,
    refused_keys as refused_keys,
)
from gaugepost.contract.text import (
    cell as cell,
    neutralised as neutralised,
)
from gaugepost.core.errors import (
    GaugepostError as GaugepostError,
    LinkLost as LinkLost,
    SettingsError as SettingsError,
    Unreachable as Unreachable,
    ValueRefused as ValueRefused,
)
from gaugepost.core.indication import (
    MAX_FRAME_BYTES as MAX_FRAME_BYTES,
    BadFrame as BadFrame,
    Chunk as Chunk,
    Code as Code,
    Condition as Condition,
    Decoded as Decoded,
    Indication as Indication,
    Moment as Moment,
    Temperature as Temperature,
    Trigger as Trigger,
)
from gaugepost.core.publication import (
    PublishedType as PublishedType,
    parse_record_id as parse_record_id,
    published_types as published_types,
)
from gaugepost.core.quantity import (
    Unit as Unit,
    parse_number as parse_number,
    parse_temperature_c as parse_temperature_c,
    parse_unit as parse_unit,
)
from gaugepost.core.record import (
    COLUMNS as COLUMNS,
)
