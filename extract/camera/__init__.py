"""The camera room: chess corners in, lens, plane and its doubt out; and the table seen square from above."""
