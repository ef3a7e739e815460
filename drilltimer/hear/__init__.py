"""What is heard: from blocks of microphone signal to the touchdown of each rep. Pure: no I/O, no clock of its own."""
