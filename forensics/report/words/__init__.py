"""Words for people: units, times, plain sentences, cautions."""
