"""The bench page: a running machine in a browser, served from the same event loop.

Needs the extra `page`; nothing here is imported before a page is asked for.
"""
