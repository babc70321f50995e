"""Printing to PDF: which browser is taken, and what is said where none is."""

from __future__ import annotations

import shutil
import sys

import pytest

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.reports.printing import browser_path, pdf_of

PAGE = "<!DOCTYPE html><html><style>@page { size: A4 }</style><p>One page.</p></html>"


@pytest.mark.skipif(browser_path() is None, reason="no browser that prints is here")
def test_a_page_becomes_a_pdf():
    assert pdf_of(PAGE).startswith(b"%PDF")


def test_without_a_browser_it_is_said_what_to_do(monkeypatch, tmp_path):
    monkeypatch.setattr(shutil, "which", lambda name: None)
    for variable in ("TORSIONBEAT_BROWSER", "PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("torsionbeat.reports.printing.ELSEWHERE", ())
    with pytest.raises(InputError, match="open the report in a browser and print it there"):
        pdf_of(PAGE)


def test_a_browser_that_is_named_must_be_there(monkeypatch):
    monkeypatch.setenv("TORSIONBEAT_BROWSER", "no-such-browser")
    with pytest.raises(InputError, match="there is no such program"):
        browser_path()


@pytest.mark.skipif(sys.platform == "win32", reason="a program by its first line")
def test_a_browser_that_fails_is_told(monkeypatch, tmp_path):
    broken = tmp_path / "browser"
    broken.write_text("#!/bin/sh\necho out of paper >&2\nexit 1\n")
    broken.chmod(0o755)
    monkeypatch.setenv("TORSIONBEAT_BROWSER", str(broken))
    with pytest.raises(DeviceError, match=r"did not print \(out of paper\)"):
        pdf_of(PAGE)
