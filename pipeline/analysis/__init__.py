"""One module per question: which pairs it uses, and why it leaves the others out."""
