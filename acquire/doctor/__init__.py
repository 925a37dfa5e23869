"""A check of the installation: facts are gathered by ``gather.py``, and judged by pure functions in ``checks``."""
