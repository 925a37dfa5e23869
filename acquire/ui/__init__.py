"""The dashboard on the bench's screen: draws frames, sends what the operator does."""
