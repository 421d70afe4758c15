"""Files of the data folder that say who may come in: tokens, people, and how often somebody tried."""

from gaugepost.edge.access.people import PeopleFile as PeopleFile
from gaugepost.edge.access.tokens import AccessFile as AccessFile
from gaugepost.edge.access.tries import TriesFile as TriesFile
