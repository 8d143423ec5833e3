"""What a specimen, a catalogue, a record and an amount of money are."""
