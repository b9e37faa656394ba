"""Driver sheets: a TOML text that maps frames to values, without code.

    model, framed, places, rowed    what a sheet may say
    keys        every key with meaning and example, for errors and people
    loader, sense, rowrules, sums, parts    text -> model; errors with file, line, key and cure
    complaints, wordrules    what the model says in our words; words that must be known ones
    numbers, clocks, fields, rows, escapes    small grammars of our own, linear by construction, no regular expressions
    quantities, beside, messages    one closure a field, one a message
    groups      several frames that make one result
    decoder, compile           framer + messages -> Decoder, Driver
    layout      every byte of a frame against its field, for `explain`

Rules of the room:
- A sheet never guesses: a field that cannot be read is null with a reason; a frame that breaks a rule is refused.
- Any bytes give items: nothing in here raises once a sheet is loaded.
"""
