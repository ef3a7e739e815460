"""The drills there are: listed, told in words, drawn, checked, and begun as files of one's own."""
