"""The bench page: the restorer's jobs in a browser, served by this computer and meant for it alone.

Input: requests of a browser. Output: pages made here, a stream of events while something is listened to or read.
Handlers are thin: each calls a job of ``torsionbeat.jobs``; nothing is computed in the browser.
"""
