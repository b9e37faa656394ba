"""Upper floors: ports, journal, decisions, records and destinations. The rooms and their order are in DEVELOPERS.md."""
