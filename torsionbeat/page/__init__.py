"""The bench page: the restorer's jobs in a browser, served by this computer and by default for it alone.

Input: requests of a browser. Output: pages, and a stream of events while the program listens or reads a recording.
This package holds server, guard, stream, templates and plots. The handlers in ``torsionbeat.page_handlers`` answer
the requests; each calls a job of ``torsionbeat.jobs``. Nothing is computed in the browser.
"""
