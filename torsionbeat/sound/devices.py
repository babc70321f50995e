"""Microphones: which there are, which one is wanted, and its settings.

Input: a number or part of a name. Output: a ``Device``, and the sample rate and channels that it accepts. PortAudio
is reached through ``Backend`` alone, so that everything above it can be driven by a stand-in. Only one program uses a
microphone at a time, ensured by a lock that the operating system releases when its holder ends in any way.
"""

from __future__ import annotations

import contextlib
import difflib
import hashlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from torsionbeat.errors import DeviceError
from torsionbeat.sound.block import Samples

__all__ = [
    "Backend",
    "Device",
    "PortAudio",
    "Stream",
    "find_device",
    "hold_device",
    "list_devices",
    "lock_folder",
    "negotiated",
]


@dataclass(frozen=True, slots=True)
class Device:
    """A sound input.

    ``number`` is valid until devices come or go; ``system`` is the sound system that offers it; ``channels`` is the
    largest number of channels, ``sample_rate_hz`` the preferred rate.
    """

    number: int
    name: str
    system: str
    channels: int
    sample_rate_hz: float
    is_default: bool = False


OnBlock = Callable[[Samples, bool], None]
"""Called with a borrowed array of shape (frames, channels) and whether sound was lost before it."""


class Stream(Protocol):
    """An input that is open and delivers blocks."""

    def abort(self) -> None:
        """Stop without waiting for anything."""

    def close(self) -> None:
        """Release the device."""


class Backend(Protocol):
    """A sound system."""

    def devices(self) -> list[Device]:
        """The inputs known since the last restart."""

    def accepts(self, device: Device, sample_rate_hz: float, channels: int) -> bool:
        """Whether the device can be opened so.

        Parameters
        ----------
        device : Device
        sample_rate_hz : float
            Samples a second.
        channels : int
            How many channels.
        """

    def open(
        self,
        device: Device,
        sample_rate_hz: float,
        channels: int,
        block_frames: int,
        on_block: OnBlock,
        on_end: Callable[[], None],
    ) -> Stream:
        """Open the device and let it begin; DeviceError if that fails.

        Parameters
        ----------
        device : Device
        sample_rate_hz : float
            Samples a second.
        channels : int
            How many channels.
        block_frames : int
            Frames of a block.
        on_block : OnBlock
            Takes each block.
        on_end : callable
            Called when the stream has ended by itself.
        """

    def restart(self) -> None:
        """Scan for devices again; no stream may be open."""


class PortAudio:
    """PortAudio by way of sounddevice.

    Raises
    ------
    DeviceError
        The PortAudio library is not installed.
    """

    def __init__(self) -> None:
        try:
            import sounddevice
        except OSError:
            raise DeviceError(
                "listening needs the PortAudio library, which is not installed; install it "
                "(on Debian and Ubuntu: sudo apt install libportaudio2) and try again"
            ) from None
        self._sounddevice: Any = sounddevice

    def devices(self) -> list[Device]:
        """The inputs known since PortAudio was started.

        Raises
        ------
        DeviceError
            The sound system does not answer.
        """
        query = self._sounddevice
        try:
            found, systems = query.query_devices(), query.query_hostapis()
            default = query.default.device[0]
        except query.PortAudioError as error:
            raise DeviceError(
                f"the sound system does not answer ({_first_line(error)}); start it again"
            ) from None
        return [
            Device(
                number,
                str(entry["name"]),
                str(systems[entry["hostapi"]]["name"]),
                int(entry["max_input_channels"]),
                float(entry["default_samplerate"]),
                number == default,
            )
            for number, entry in enumerate(found)
            if entry["max_input_channels"] > 0
        ]

    def accepts(self, device: Device, sample_rate_hz: float, channels: int) -> bool:
        """Whether PortAudio would open the device so.

        Parameters
        ----------
        device : Device
        sample_rate_hz : float
            Samples a second.
        channels : int
            How many channels.
        """
        try:
            self._sounddevice.check_input_settings(
                device.number, channels=channels, dtype="float32", samplerate=sample_rate_hz
            )
        except (self._sounddevice.PortAudioError, ValueError):
            return False
        return True

    def open(
        self,
        device: Device,
        sample_rate_hz: float,
        channels: int,
        block_frames: int,
        on_block: OnBlock,
        on_end: Callable[[], None],
    ) -> Stream:
        """Open an input stream of float32 blocks of fixed length.

        Parameters
        ----------
        device : Device
        sample_rate_hz : float
            Samples a second.
        channels : int
            How many channels.
        block_frames : int
            Frames of a block.
        on_block : OnBlock
            Takes each block.
        on_end : callable
            Called when the stream has ended by itself.

        Raises
        ------
        DeviceError
            It cannot be opened.
        """

        def callback(samples: Samples, _frames: int, _time: Any, status: Any) -> None:
            on_block(samples, bool(status.input_overflow))

        stream: Stream | None = None
        try:
            stream = self._sounddevice.InputStream(
                device=device.number,
                samplerate=sample_rate_hz,
                channels=channels,
                dtype="float32",
                blocksize=block_frames,
                latency="high",
                callback=callback,
                finished_callback=on_end,
            )
            stream.start()  # type: ignore[union-attr]
        except (self._sounddevice.PortAudioError, ValueError) as error:
            if stream is not None:
                stream.close()
            raise DeviceError(
                f"{device.name} cannot be opened ({_first_line(error)}); check that it is plugged in "
                "and that no other program holds it"
            ) from None
        assert stream is not None
        return stream

    def restart(self) -> None:
        """Restart PortAudio: it lists devices only when it starts.

        Raises
        ------
        DeviceError
            The sound system does not start.
        """
        with contextlib.suppress(self._sounddevice.PortAudioError):
            self._sounddevice._terminate()
        try:
            self._sounddevice._initialize()
        except self._sounddevice.PortAudioError as error:
            raise DeviceError(f"the sound system does not start ({_first_line(error)})") from None


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]


def list_devices(backend: Backend | None = None) -> list[Device]:
    """All sound inputs.

    Raises
    ------
    DeviceError
        PortAudio is not installed, or the sound system does not answer.
    """
    return (backend or PortAudio()).devices()


def find_device(wanted: int | str | None, devices: Sequence[Device]) -> Device:
    """The device given by a number, by part of its name, or by None (the default).

    Raises
    ------
    DeviceError
        No device or several match; the message lists the choices.

    >>> built_in = Device(0, "Built-in microphone", "ALSA", 2, 44100.0, is_default=True)
    >>> here = [built_in, Device(3, "USB mic", "ALSA", 1, 48000.0)]
    >>> find_device("usb", here).number
    3
    >>> find_device(None, here).name
    'Built-in microphone'
    """
    if not devices:
        raise DeviceError("no microphone was found; plug one in and check that the sound system runs")
    if wanted is None:
        return next((device for device in devices if device.is_default), devices[0])
    if isinstance(wanted, int) or wanted.strip().isdigit():
        fitting = [device for device in devices if device.number == int(wanted)]
    else:
        name = wanted.strip().casefold()
        fitting = [device for device in devices if device.name.casefold() == name]
        fitting = fitting or [device for device in devices if name in device.name.casefold()]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise DeviceError(f"{wanted!r} fits {len(fitting)} microphones; choose by number: {_listed(fitting)}")
    names = {device.name.casefold(): device for device in devices}
    close = [names[name] for name in difflib.get_close_matches(str(wanted).casefold(), names, 3, 0.4)]
    if close:
        raise DeviceError(f"no microphone fits {wanted!r}; near it are: {_listed(close)}")
    raise DeviceError(f"no microphone fits {wanted!r}; there are: {_listed(devices)}")


def _listed(devices: Sequence[Device]) -> str:
    return "; ".join(f"{device.number} {device.name} ({device.system})" for device in devices)


def negotiated(backend: Backend, device: Device, sample_rate_hz: float, channels: int) -> tuple[float, int]:
    """Sample rate and channels that the device accepts, as near as possible to the requested ones.

    Parameters
    ----------
    backend : Backend
    device : Device
    sample_rate_hz : float
        Samples a second.
    channels : int
        How many channels.

    Raises
    ------
    DeviceError
        It accepts none of the settings tried.
    """
    rates = dict.fromkeys((sample_rate_hz, device.sample_rate_hz, 48_000.0, 44_100.0))
    counts = dict.fromkeys((min(channels, device.channels), device.channels, 2, 1))
    for count in counts:
        for rate in rates:
            if 8_000 <= rate <= 384_000 and backend.accepts(device, rate, count):
                return rate, count
    tried = ", ".join(f"{rate:g}" for rate in rates)
    raise DeviceError(
        f"{device.name} accepts none of the sample rates {tried} Hz; check that no other program holds it, "
        "or choose another microphone"
    )


def lock_folder() -> Path:
    """Folder of this user's locks: that of the running session."""
    from platformdirs import user_runtime_path

    return user_runtime_path("torsionbeat")


def hold_device(name: str, folder: Path | None = None) -> contextlib.ExitStack:
    """Hold a microphone for this program; closing the returned stack releases it, and so does the end of the program.

    On a machine without a place or means for locks, nothing is held and nothing is refused.

    Parameters
    ----------
    name : str
        The microphone's name and sound system, which identify it to other programs.
    folder : Path, optional
        Folder of the lock; by default `lock_folder`.

    Raises
    ------
    DeviceError
        Another program of this package is using it.
    """
    import filelock

    held = contextlib.ExitStack()
    where = folder or lock_folder()
    digest = hashlib.sha256(name.encode(errors="replace")).hexdigest()[:16]  # a valid file name for any name
    try:
        where.mkdir(parents=True, exist_ok=True)
        lock: Any = filelock.FileLock(os.fspath(where / f"microphone-{digest}.lock"), timeout=0)
        held.enter_context(lock)
    except filelock.Timeout:
        raise DeviceError(
            f"{name} is being listened to already; end that listening first, or choose another microphone"
        ) from None
    except (OSError, NotImplementedError):
        held.close()
    return held
