"""Finding the microphone that is meant, and what to say when there is none."""

from __future__ import annotations

import builtins
import sys

import pytest

from torsionbeat.errors import DeviceError
from torsionbeat.sound.devices import Device, PortAudio, find_device, list_devices, negotiated

BUILT_IN = Device(0, "Built-in microphone", "ALSA", 2, 44_100.0)
USB = Device(4, "USB bench microphone", "ALSA", 1, 48_000.0, is_default=True)
USB_TWICE = Device(7, "USB bench microphone", "JACK", 1, 48_000.0)


@pytest.mark.parametrize(
    ("wanted", "number"),
    [(None, 4), (0, 0), ("4", 4), ("built", 0), ("BENCH", 4), ("  usb bench microphone ", 4)],
)
def test_device_by_number_name_or_default(wanted, number):
    assert find_device(wanted, [BUILT_IN, USB]).number == number


def test_whole_name_wins_over_part_of_another():
    other = Device(9, "USB bench microphone 2", "ALSA", 1, 48_000.0)
    assert find_device("USB bench microphone", [other, USB]).number == 4


def test_without_a_default_the_first_is_taken():
    assert find_device(None, [BUILT_IN, USB_TWICE]).number == 0


@pytest.mark.parametrize(
    ("wanted", "here", "message"),
    [
        (
            "microphone",
            [BUILT_IN, USB],
            "fits 2 microphones; choose by number: 0 Built-in microphone .* 4 USB",
        ),
        (
            "USB bench microphone",
            [USB, USB_TWICE],
            r"4 USB bench microphone \(ALSA\); 7 USB bench microphone \(JACK\)",
        ),
        (
            "USB bunch microfone",
            [BUILT_IN, USB],
            "no microphone fits 'USB bunch microfone'; near it are: 4 USB",
        ),
        ("zzz", [BUILT_IN, USB], "there are: 0 Built-in microphone"),
        (3, [BUILT_IN, USB], "no microphone fits 3; there are: 0 Built-in"),
        (None, [], "no microphone was found; plug one in"),
    ],
)
def test_no_device_or_several(wanted, here, message):
    with pytest.raises(DeviceError, match=message):
        find_device(wanted, here)


class Picky:
    def __init__(self, *accepted):
        self.accepted = accepted

    def accepts(self, _device, sample_rate_hz, channels):
        return (sample_rate_hz, channels) in self.accepted


@pytest.mark.parametrize(
    ("accepted", "found"),
    [
        ([(48_000, 1), (44_100, 2)], (48_000, 1)),
        ([(44_100, 1), (48_000, 2)], (44_100, 1)),
        ([(48_000, 2)], (48_000, 2)),
        ([(44_100, 2)], (44_100, 2)),
    ],
)
def test_nearest_setting_that_is_accepted(accepted, found):
    assert negotiated(Picky(*accepted), BUILT_IN, 48_000, 1) == found


def test_no_setting_is_accepted():
    with pytest.raises(DeviceError, match="accepts none of the sample rates 96000, 44100, 48000 Hz; check"):
        negotiated(Picky(), BUILT_IN, 96_000, 1)


def test_missing_portaudio_says_what_to_install(monkeypatch):
    """On Linux the wheel of sounddevice has no PortAudio in it and raises OSError on import."""
    real_import = builtins.__import__

    def without_portaudio(name, *args, **kwargs):
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real_import(name, *args, **kwargs)

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(builtins, "__import__", without_portaudio)
    with pytest.raises(DeviceError, match="sudo apt install libportaudio2"):
        PortAudio()
    with pytest.raises(DeviceError, match="PortAudio library, which is not installed"):
        list_devices()


def test_list_devices_of_this_computer():
    try:
        found = list_devices()
    except DeviceError as error:
        pytest.skip(str(error))
    assert all(device.channels > 0 for device in found)
