"""User manual: Markdown pages, shown in the repository, on the web and in the terminal."""
