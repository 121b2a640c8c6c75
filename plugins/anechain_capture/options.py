"""Options of the importer for raw captures."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import Field, field_validator, model_validator

from anechain.errors import Problem
from anechain.hooks import Options
from anechain.importing.direction_options import NamingOptions, naming_problems

__all__ = [
    "CaptureOptions",
    "Gate",
    "Grid",
    "Harmonics",
    "Multitone",
    "Regularisation",
    "Smoothing",
    "Sweep",
    "option_problems",
]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Decibels = Annotated[float, Field(ge=-300, le=300)]


class Sweep(Options):
    """Law of the sweep: its kind, frequencies and duration."""

    kind: Literal["exponential", "synchronised", "linear"] = Field(
        default="exponential",
        description='"synchronised": an exponential sweep whose rate is a whole number of start periods',
    )
    start: Positive = Field(description="start frequency in Hz")
    stop: Positive = Field(description="stop frequency in Hz")
    duration: Positive = Field(description="duration in seconds, fades included")
    fade_in: float = Field(
        default=0.0, ge=0, allow_inf_nan=False, description="duration of the squared-sine fade at its start in seconds"
    )
    fade_out: float = Field(
        default=0.0, ge=0, allow_inf_nan=False, description="duration of the squared-sine fade at its end in seconds"
    )
    amplitude: Positive = Field(default=1.0, description="amplitude relative to full scale")

    @model_validator(mode="after")
    def _check_sweep(self) -> Sweep:
        if not self.start < self.stop:
            raise ValueError("`start` must be below `stop`")
        if self.fade_in + self.fade_out > self.duration:
            raise ValueError("the fades are longer than the sweep")
        return self


class Regularisation(Options):
    """Value added to the squared magnitude of the excitation before the division."""

    inside: Decibels = Field(default=-100.0, description="inside the band, in dB re the largest squared magnitude")
    outside: Decibels = Field(
        default=0.0, description="from half an octave outside the band, in dB re the largest squared magnitude"
    )


class Gate(Options):
    """Time window around the arrival of the sound."""

    shape: Literal["rectangular", "hann", "blackman"] = Field(
        default="hann", description="shape of the fades: half a Hann or Blackman window; rectangular: no fades"
    )
    before: float = Field(
        default=1.0, ge=0, allow_inf_nan=False, description="fade-in before the arrival in milliseconds"
    )
    after: Positive = Field(description="time from the arrival to the end of the window in milliseconds")
    fade: float | None = Field(
        default=None,
        ge=0,
        allow_inf_nan=False,
        description="fade-out at its end in milliseconds; by default a quarter of `after`",
    )

    @model_validator(mode="after")
    def _check_fade(self) -> Gate:
        if self.fade is not None and self.fade > self.after:
            raise ValueError("`fade` is longer than `after`")
        return self


class Grid(Options):
    """Logarithmic frequency grid that contains 1 kHz."""

    low: Positive = Field(default=20.0, description="lowest frequency in Hz")
    high: Positive = Field(default=20000.0, description="highest frequency in Hz")
    per_octave: int = Field(
        default=48, ge=1, le=960, description="points per octave; smoothing over 1/N octave needs 2 N"
    )

    @model_validator(mode="after")
    def _check_limits(self) -> Grid:
        if not self.low < self.high:
            raise ValueError("`low` must be below `high`")
        return self


class Smoothing(Options):
    """Smoothing over a fraction of an octave."""

    fraction: Positive = Field(description="denominator of the fraction of an octave: 6 for 1/6 octave")
    kind: Literal["power", "complex"] = Field(
        default="power",
        description='"power": smooths squared pressure, the phase is not smoothed; "complex": smooths complex pressure',
    )


class Harmonics(Options):
    """Harmonic orders of an exponential sweep on the reference axis."""

    orders: int = Field(default=5, ge=2, le=20, description="highest order")


class Multitone(Options):
    """Multitone signal. High drives and levels damage hearing and equipment: follow local rules."""

    tones: tuple[Positive, ...] = Field(min_length=2, description="rising frequencies in Hz")
    settle: float = Field(
        default=0.5, ge=0, allow_inf_nan=False, description="time ignored at the start of each recording in seconds"
    )
    cut: float = Field(
        default=0.0, ge=0, allow_inf_nan=False, description="time ignored at the end of each recording in seconds"
    )
    bands_per_octave: int = Field(default=3, ge=1, le=48, description="fractional-octave bands per octave")

    @field_validator("tones")
    @classmethod
    def _check_rising(cls, tones: tuple[float, ...]) -> tuple[float, ...]:
        if any(a >= b for a, b in itertools.pairwise(tones)):
            raise ValueError("the tones must rise")
        return tones


class CaptureOptions(NamingOptions):
    """Options of the importer for raw captures."""

    extra_fields: ClassVar[tuple[str, ...]] = ("drive", "take", "order")
    extra_columns: ClassVar[tuple[str, ...]] = ("started",)

    pattern: str | None = Field(
        default=None,
        description="file name as literal text with the fields {plane}, {angle}, {side}, {drive}, {take}, {order} "
        'and {any}, for example "hall-north {plane} {angle} {drive} {take}.wav"; takes of the same direction and drive '
        'are joined; {order} is a number in the order of measurement; case is ignored; if the pattern contains "/", '
        "parent folders are part of the name",
    )
    manifest: Path | None = Field(
        default=None,
        description="table with the columns file, plane, angle and, if there are several, drive and take, instead of "
        "a pattern; column order: number in the order of measurement; column started: start time (seconds, or date "
        "and time as in ISO 8601); path relative to the campaign file",
    )
    order: tuple[str, ...] | None = Field(
        default=None,
        description="file names of the recordings on the axis in the order of measurement, if neither {order} nor the "
        "manifest states it; thermal compression is determined from takes in their order",
    )
    content: Literal["sweep", "impulse response", "multitone"] = Field(
        default="sweep",
        description="content of the files: recordings of a sweep, impulse responses, or recordings of a multitone "
        "signal (for the source `multitone`)",
    )
    multitone: Multitone | None = Field(default=None, description="the multitone signal that was played")
    silence: Path | None = Field(
        default=None,
        description="recording without a signal at the gain of the other recordings, for the noise between the tones "
        "of a multitone signal; path relative to the campaign file",
    )
    channel: int = Field(default=1, ge=1, description="channel of the microphone, from 1")
    sweep: Sweep | None = Field(
        default=None,
        description="law of the sweep; without `excitation` and `loopback` the excitation is calculated from it; with "
        "one of them it is used for the arrival times of harmonics only",
    )
    excitation: Path | None = Field(
        default=None, description="file of the excitation as it was played; path relative to the campaign file"
    )
    excitation_channel: int = Field(default=1, ge=1, description="channel of the excitation file, from 1")
    loopback: int | None = Field(
        default=None, ge=1, description="channel of each recording with the electrical excitation"
    )
    loopback_volts: Positive | None = Field(
        default=None, description="volts at the loudspeaker's terminals at full scale of the loopback"
    )
    latency: float = Field(
        default=0.0,
        allow_inf_nan=False,
        description="delay of the recording chain in milliseconds, subtracted from the arrival; zero with a loopback",
    )
    band: tuple[Positive, Positive] | None = Field(
        default=None,
        description="frequency range of the excitation in Hz; by default start and stop of `sweep`, or 20 to 20000",
    )
    regularisation: Regularisation = Field(default=Regularisation(), description="regularisation of the deconvolution")
    window: Gate | None = Field(
        default=None, description="time window; without a window, reflections stay in the response"
    )
    grid: Grid | Literal["native"] = Field(
        default=Grid(), description='frequency grid; "native": steps of one over the length of the window'
    )
    smoothing: Smoothing | None = Field(default=None, description="smoothing after the transform; by default none")
    microphone: Path | None = Field(
        default=None,
        description="calibration of the microphone: lines of frequency in Hz, dB and, if known, degrees; path relative "
        "to the campaign file",
    )
    microphone_gives: Literal["response", "correction"] = Field(
        default="response",
        description='content of the calibration: the "response" of the microphone, which is subtracted, or a '
        '"correction", which is added',
    )
    calibrator: Path | None = Field(
        default=None,
        description="recording of a sound calibrator on the microphone; path relative to the campaign file",
    )
    calibrator_channel: int = Field(default=1, ge=1, description="channel of that recording, from 1")
    calibrator_level: Decibels = Field(default=94.0, description="level of the calibrator in dB re 20 µPa")
    calibrator_frequency: Positive = Field(default=1000.0, description="frequency of the calibrator in Hz")
    sensitivity: Positive | None = Field(
        default=None, description="sound pressure of full scale in Pa, instead of a recording of a calibrator"
    )
    gain: Decibels = Field(default=0.0, description="gain of the recordings in dB relative to the calibration")
    drive: Positive | None = Field(
        default=None, description="V r.m.s. of the sweep at the loudspeaker's terminals, if there is one drive"
    )
    drives: dict[str, Positive] = Field(
        default={}, description="V r.m.s. for each text of {drive} that is not a number"
    )
    gains: dict[str, Decibels] = Field(default={}, description="additional gain in dB for each text of {drive}")
    response_drive: str | None = Field(
        default=None,
        description="text of {drive} of the recordings for the responses; by default the drive with most directions",
    )
    harmonics: Harmonics | None = Field(
        default=None, description="separates harmonic orders on the axis; for exponential and synchronised sweeps only"
    )

    @field_validator("drives", "gains")
    @classmethod
    def _lower_case_drives(cls, words: dict[str, float]) -> dict[str, float]:
        lower = {word.strip().casefold(): value for word, value in words.items()}
        if len(lower) < len(words):
            raise ValueError("the words must differ, also in lower case")
        return lower

    @field_validator("band")
    @classmethod
    def _check_band(cls, band: tuple[float, float] | None) -> tuple[float, float] | None:
        if band is not None and not band[0] < band[1]:
            raise ValueError("the band must rise")
        return band

    def companion_files(self) -> tuple[Path, ...]:
        """Return the files besides the recordings that affect the result."""
        files = (self.manifest, self.excitation, self.microphone, self.calibrator, self.silence)
        return tuple(path for path in files if path is not None)


def option_problems(options: CaptureOptions, where: str) -> list[Problem]:
    """Return problems of options that contradict each other.

    Parameters
    ----------
    options : CaptureOptions
    where : str
        Name of the importer for error messages.
    """
    problems = naming_problems(options, where)

    def add(what: str, expected: str, fix: str) -> None:
        problems.append(Problem(where, what, expected, fix))

    if options.content == "sweep":
        if options.excitation is None and options.loopback is None and options.sweep is None:
            add(
                "none of the options `excitation`, `loopback` and `sweep` is given",
                "the signal that was played",
                "name the file of the excitation, the channel of the loopback, or the law of the sweep",
            )
        if options.excitation is not None and options.loopback is not None:
            add("options `excitation` and `loopback` are both given", "one of the two", "leave one of them out")
    else:
        content = {"impulse response": "impulse responses"}.get(options.content, options.content)
        for name in ("excitation", "loopback", "sweep", "harmonics"):
            if getattr(options, name) is not None:
                add(f"option `{name}` for {content}", "only for sweeps", "leave it out, or correct `content`")
    if options.content == "multitone" and options.multitone is None:
        add("option `multitone` is missing", "the tones that were played", "list their frequencies in it")
    for name in ("multitone", "silence"):
        if options.content != "multitone" and getattr(options, name) is not None:
            add(f"option `{name}` for another content", "only for `content: multitone`", "correct `content`")
    if options.loopback == options.channel:
        add(f"options `channel` and `loopback` are both {options.channel}", "two channels", "correct one of them")
    if options.loopback_volts is not None and options.loopback is None:
        add("option `loopback_volts` without `loopback`", "both or neither", "name the channel of the loopback")
    if options.calibrator is not None and options.sensitivity is not None:
        add("options `calibrator` and `sensitivity` are both given", "one of the two", "leave one of them out")
    if options.drive is not None and options.drives:
        add("options `drive` and `drives` are both given", "one of the two", "leave one of them out")
    if options.harmonics is not None and options.content == "sweep":
        if options.sweep is None:
            add(
                "option `harmonics` without `sweep`",
                "kind, start, stop and duration of the sweep, which give the arrival time of each order",
                "state the law of the sweep in the option `sweep`",
            )
        elif options.sweep.kind == "linear":
            add(
                "option `harmonics` with a linear sweep",
                "an exponential or synchronised sweep: the orders of a linear sweep cannot be separated",
                "leave `harmonics` out",
            )
    if options.smoothing is not None and isinstance(options.grid, Grid):
        needed = 2 * options.smoothing.fraction
        if options.grid.per_octave < needed:
            add(
                f"{options.grid.per_octave} points per octave, smoothed over 1/{options.smoothing.fraction:g} octave",
                f"at least {needed:g}: two points per window",
                "increase `grid.per_octave`, or smooth more",
            )
    return problems
