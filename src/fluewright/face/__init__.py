"""What a script or a notebook calls: verbs of `fluewright` that take a model or a file and return one result each.

`fluewright` itself offers them (docs/python.md); each is loaded when it is first used. A result keeps what the packages
returned, tells itself in one line, prints as a table, gives plain records and draws itself in a notebook.
"""
