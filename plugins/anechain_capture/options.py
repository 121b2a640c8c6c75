"""What a campaign can tell this importer about its recordings."""

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
    """Law of the sweep that was played."""

    kind: Literal["exponential", "synchronised", "linear"] = Field(
        default="exponential",
        description='"synchronised" is an exponential sweep with a whole number of start periods in its rate',
    )
    start: Positive = Field(description="start frequency in Hz")
    stop: Positive = Field(description="stop frequency in Hz")
    duration: Positive = Field(description="duration in seconds, fades included")
    fade_in: float = Field(
        default=0.0, ge=0, allow_inf_nan=False, description="squared-sine fade at its start, seconds"
    )
    fade_out: float = Field(default=0.0, ge=0, allow_inf_nan=False, description="squared-sine fade at its end, seconds")
    amplitude: Positive = Field(default=1.0, description="amplitude of its sine, as a share of full scale")

    @model_validator(mode="after")
    def _rising(self) -> Sweep:
        if not self.start < self.stop:
            raise ValueError("`start` must lie below `stop`")
        if self.fade_in + self.fade_out > self.duration:
            raise ValueError("the fades are longer than the sweep")
        return self


class Regularisation(Options):
    """What is added to the squared magnitude of the excitation before it is divided by."""

    inside: Decibels = Field(default=-100.0, description="inside the band, dB re the greatest squared magnitude")
    outside: Decibels = Field(default=0.0, description="half an octave outside the band, dB re the same")


class Gate(Options):
    """Time window about the arrival of the sound."""

    shape: Literal["rectangular", "hann", "blackman"] = Field(
        default="hann", description="shape of its rise and fall: half a Hann or half a Blackman window, or none"
    )
    before: float = Field(default=1.0, ge=0, allow_inf_nan=False, description="milliseconds of rise, to the arrival")
    after: Positive = Field(description="milliseconds from the arrival to its end")
    fade: float | None = Field(
        default=None, ge=0, allow_inf_nan=False, description="milliseconds of fall at its end; a quarter of `after`"
    )

    @model_validator(mode="after")
    def _fits(self) -> Gate:
        if self.fade is not None and self.fade > self.after:
            raise ValueError("`fade` is longer than `after`")
        return self


class Grid(Options):
    """Logarithmic frequency grid, counted from 1 kHz."""

    low: Positive = Field(default=20.0, description="lowest frequency in Hz")
    high: Positive = Field(default=20000.0, description="highest frequency in Hz")
    per_octave: int = Field(default=24, ge=1, le=960, description="points per octave")

    @model_validator(mode="after")
    def _rising(self) -> Grid:
        if not self.low < self.high:
            raise ValueError("`low` must lie below `high`")
        return self


class Smoothing(Options):
    """Smoothing over a fraction of an octave."""

    fraction: Positive = Field(description="windows per octave: 6 for 1/6 octave")
    kind: Literal["power", "complex"] = Field(
        default="power",
        description='"power" smooths squared pressure and leaves the phase; "complex" smooths the pressure itself',
    )


class Harmonics(Options):
    """Harmonic orders of an exponential sweep on the reference axis."""

    orders: int = Field(default=5, ge=2, le=20, description="highest order")


class Multitone(Options):
    """Multitone signal on the reference axis. High drives and levels hurt hearing and equipment: local rules decide."""

    tones: tuple[Positive, ...] = Field(min_length=2, description="frequencies in Hz, rising")
    settle: float = Field(
        default=0.5, ge=0, allow_inf_nan=False, description="seconds left out at the start of each recording"
    )
    cut: float = Field(default=0.0, ge=0, allow_inf_nan=False, description="seconds left out at its end")
    bands_per_octave: int = Field(default=3, ge=1, le=48, description="fractional-octave bands per octave")

    @field_validator("tones")
    @classmethod
    def _rising(cls, tones: tuple[float, ...]) -> tuple[float, ...]:
        if any(a >= b for a, b in itertools.pairwise(tones)):
            raise ValueError("the tones must rise")
        return tones


class CaptureOptions(NamingOptions):
    """Options of the importer for raw captures."""

    more_fields: ClassVar[tuple[str, ...]] = ("drive", "take", "order")
    more_columns: ClassVar[tuple[str, ...]] = ("started",)

    pattern: str | None = Field(
        default=None,
        description="file name as literal text with the fields {plane}, {angle}, {side}, {drive}, {take}, {order} "
        'and {any}, for example "hall-north {plane} {angle} {drive} {take}.wav"; takes of one direction and drive are '
        'joined, {order} numbers the recordings as they were measured; upper and lower case are alike; with "/" the '
        "last folders count too",
    )
    manifest: Path | None = Field(
        default=None,
        description="table with the columns file, plane, angle and, if there are several, drive and take, instead of "
        "a pattern; order numbers the recordings as they were measured, started says when each was (seconds, or date "
        "and time as in ISO 8601); relative to the campaign file",
    )
    order: tuple[str, ...] | None = Field(
        default=None,
        description="file names of the recordings on the axis in the order they were measured, where neither {order} "
        "nor the manifest says it; compression is told from takes in their order",
    )
    content: Literal["sweep", "impulse response", "multitone"] = Field(
        default="sweep",
        description="what the files hold: recordings of a sweep, impulse responses, or recordings of a multitone "
        "signal (for the source `multitone`)",
    )
    multitone: Multitone | None = Field(default=None, description="the multitone signal that was played")
    silence: Path | None = Field(
        default=None,
        description="recording without a signal at the gain of the recordings, for the noise beside a multitone "
        "signal; relative to the campaign file",
    )
    channel: int = Field(default=1, ge=1, description="channel of the microphone, from 1")
    sweep: Sweep | None = Field(
        default=None,
        description="law of the sweep; by itself it is the excitation, beside `excitation` or `loopback` it says when "
        "harmonics arrive",
    )
    excitation: Path | None = Field(
        default=None, description="the excitation as a file, as it was played; relative to the campaign file"
    )
    excitation_channel: int = Field(default=1, ge=1, description="channel of the excitation file, from 1")
    loopback: int | None = Field(
        default=None, ge=1, description="channel of each recording that holds the excitation as recorded electrically"
    )
    loopback_volts: Positive | None = Field(
        default=None, description="volts at the loudspeaker's terminals that full scale of the loopback stands for"
    )
    latency: float = Field(
        default=0.0,
        allow_inf_nan=False,
        description="milliseconds that the recording chain delays, taken off the arrival; zero with a loopback",
    )
    band: tuple[Positive, Positive] | None = Field(
        default=None, description="Hz that the excitation covers; by default start and stop of `sweep`, or 20 to 20000"
    )
    regularisation: Regularisation = Field(default=Regularisation(), description="regularisation of the deconvolution")
    window: Gate | None = Field(default=None, description="time window; without one, reflections stay in the response")
    grid: Grid | Literal["native"] = Field(
        default=Grid(), description='frequency grid; "native" for steps of one over the length of the window'
    )
    smoothing: Smoothing | None = Field(default=None, description="smoothing after the transform; none by default")
    microphone: Path | None = Field(
        default=None,
        description="calibration of the microphone: lines of frequency in Hz, dB and, if known, degrees; relative to "
        "the campaign file",
    )
    microphone_gives: Literal["response", "correction"] = Field(
        default="response",
        description='what the calibration gives: the microphone\'s "response", which is taken off, or a "correction", '
        "which is added",
    )
    calibrator: Path | None = Field(
        default=None, description="recording of a sound calibrator on the microphone; relative to the campaign file"
    )
    calibrator_channel: int = Field(default=1, ge=1, description="channel of that recording, from 1")
    calibrator_level: Decibels = Field(default=94.0, description="dB re 20 µPa that the calibrator makes")
    calibrator_frequency: Positive = Field(default=1000.0, description="Hz that the calibrator makes it at")
    sensitivity: Positive | None = Field(
        default=None, description="pascals that full scale stands for, instead of a calibrator's recording"
    )
    gain: Decibels = Field(
        default=0.0, description="dB by which the recordings' gain was above that of the calibration"
    )
    drive: Positive | None = Field(
        default=None, description="volts r.m.s. of the sweep at the loudspeaker's terminals, if there is one drive"
    )
    drives: dict[str, Positive] = Field(
        default={}, description="volts r.m.s. for each word of {drive}; a word that is a number needs none"
    )
    gains: dict[str, Decibels] = Field(
        default={}, description="further gain in dB of the recordings of each word of {drive}"
    )
    response_drive: str | None = Field(
        default=None, description="word of {drive} that the responses are taken from; by default the most directions"
    )
    harmonics: Harmonics | None = Field(
        default=None, description="separate harmonic orders on the axis; exponential and synchronised sweeps only"
    )

    @field_validator("drives", "gains")
    @classmethod
    def _words(cls, words: dict[str, float]) -> dict[str, float]:
        lower = {word.strip().casefold(): value for word, value in words.items()}
        if len(lower) < len(words):
            raise ValueError("the words must differ, case aside")
        return lower

    @field_validator("band")
    @classmethod
    def _band(cls, band: tuple[float, float] | None) -> tuple[float, float] | None:
        if band is not None and not band[0] < band[1]:
            raise ValueError("the band must rise")
        return band

    def companion_files(self) -> tuple[Path, ...]:
        """Files beside the recordings that decide the result."""
        named = (self.manifest, self.excitation, self.microphone, self.calibrator, self.silence)
        return tuple(path for path in named if path is not None)


def option_problems(options: CaptureOptions, where: str) -> list[Problem]:
    """Problems between options, each of which is fine by itself."""
    problems = naming_problems(options, where)

    def wrong(what: str, expected: str, fix: str) -> None:
        problems.append(Problem(where, what, expected, fix))

    if options.content == "sweep":
        if options.excitation is None and options.loopback is None and options.sweep is None:
            wrong(
                "none of the options `excitation`, `loopback` and `sweep` is given",
                "what was played",
                "name the excitation's file, the loopback's channel, or the law of the sweep",
            )
        if options.excitation is not None and options.loopback is not None:
            wrong("options `excitation` and `loopback` are both given", "one of the two", "leave one of them out")
    else:
        what = {"impulse response": "impulse responses"}.get(options.content, options.content)
        for name in ("excitation", "loopback", "sweep", "harmonics"):
            if getattr(options, name) is not None:
                wrong(f"option `{name}` for {what}", "only for sweeps", "leave it out, or correct `content`")
    if options.content == "multitone" and options.multitone is None:
        wrong("option `multitone` is absent", "the tones that were played", "state their frequencies in it")
    for name in ("multitone", "silence"):
        if options.content != "multitone" and getattr(options, name) is not None:
            wrong(f"option `{name}` for another content", "only for `content: multitone`", "correct `content`")
    if options.loopback == options.channel:
        wrong(f"options `channel` and `loopback` are both {options.channel}", "two channels", "correct one of them")
    if options.loopback_volts is not None and options.loopback is None:
        wrong("option `loopback_volts` without `loopback`", "both or neither", "name the loopback's channel")
    if options.calibrator is not None and options.sensitivity is not None:
        wrong("options `calibrator` and `sensitivity` are both given", "one of the two", "leave one of them out")
    if options.drive is not None and options.drives:
        wrong("options `drive` and `drives` are both given", "one of the two", "leave one of them out")
    if options.harmonics is not None and options.content == "sweep":
        if options.sweep is None:
            wrong(
                "option `harmonics` without `sweep`",
                "kind, start, stop and duration of the sweep: they say when each order arrives",
                "state the law of the sweep in the option `sweep`",
            )
        elif options.sweep.kind == "linear":
            wrong(
                "option `harmonics` with a linear sweep",
                "an exponential or synchronised sweep: the orders of a linear one do not come apart",
                "leave `harmonics` out",
            )
    if options.smoothing is not None and isinstance(options.grid, Grid):
        needed = 2 * options.smoothing.fraction
        if options.grid.per_octave < needed:
            wrong(
                f"{options.grid.per_octave} points per octave, smoothed over 1/{options.smoothing.fraction:g} octave",
                f"at least {needed:g}: a window must reach the neighbouring points",
                "raise `grid.per_octave`, or smooth more",
            )
    return problems
