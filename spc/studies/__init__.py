"""One job a file: (store, question) -> a frozen study. Frames become arrays here and only here."""
