"""Files and clocks: the station file, plug-ins, the journal, cursors. Nothing above touches a disk."""
