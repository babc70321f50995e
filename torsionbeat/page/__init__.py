"""The bench page: the restorer's jobs in a browser, served by this computer and meant for it alone.

Input: requests of a browser. Output: pages made here, a stream of events while something is listened to or read.
Here are server, guard, stream, templates and plots; what answers a request is ``torsionbeat.page_handlers``, where each
handler calls a job of ``torsionbeat.jobs``. Nothing is computed in the browser.
"""
