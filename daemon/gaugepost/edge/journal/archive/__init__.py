"""Archives: records of years ago in one compressed file each, whole, in their order and still provable.

The journal keeps the hash of the last of them, so that its chain goes on, and the bench as they left it.
"""

from gaugepost.edge.journal.archive.file import SUFFIX as SUFFIX, Archive as Archive, is_archive as is_archive
from gaugepost.edge.journal.archive.moving import Moved as Moved, UpTo as UpTo, move as move
