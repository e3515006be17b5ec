"""What shows how good the package is, for those who maintain it: nothing here is needed to answer a case."""
