"""Checks of the recordings of a device: what their facts add up to, by the methods of recording_checks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.recording.clock_errors import clock_error, clock_ratio
from anechain.acoustics.recording.excitation_timing import excitation_delay
from anechain.acoustics.recording.polarity import normalized_correlation
from anechain.acoustics.recording.recording_noise import band_signal_to_noise
from anechain.acoustics.recording.reflections import first_reflection
from anechain.acoustics.recording.stated_signals import harmonic_misplacement, level_by_drive
from anechain.acoustics.recording.time_windows import Window, lowest_valid_frequency
from anechain.arrays import Floats
from anechain.data.checks import Check, Series, drives_in_words, made, not_made
from anechain_capture.files import RecordedFile
from anechain_capture.observing import BANDS, EARLY
from anechain_capture.options import CaptureOptions
from anechain_capture.recordings import samples_of

if TYPE_CHECKING:
    from anechain_capture.excitations import Excitation
    from anechain_capture.hearing import Heard
    from anechain_capture.reading import Captured

__all__ = ["CHECK_METHODS", "Ratio", "check_captures", "ratio_of"]


CHECK_METHODS = (
    "clock-error",
    "clock-ratio",
    "excitation-delay",
    "first-reflection",
    "harmonic-misplacement",
    "level-by-drive",
    "mains-hum",
    "recording-signal-to-noise",
    "response-likeness",
    "sweep-ending",
)
FULL = 0.999
"""Share of full scale from which a greatest value is one that the converter set."""
FLAT = 50
"""Samples at the greatest value that are too many for chance even below full scale; common practice, no source."""
AUDIBLE = 20.0
"""dB under its loudest third octave down to which a recording's bands are judged; common practice, no source."""
ABRUPT = 15.0
"""dB within 10 ms by which no loudspeaker falls when a sweep goes on; common practice, no source."""
EASY = 0.015
"""Seconds by which the end of a sweep may seem early: its fade and the block it is found in."""
COMPACT = 0.8
"""Share of a response's energy near its maximum under which another sampling rate is looked for."""
FRONT, NEAR, LIKE = 45.0, 30.0, 0.5
"""Degrees from the axis up to which an echo is looked for; degrees apart, and likeness, of neighbours that can be
compared; common practice, no source."""
FILES_FOR_CLOCK = 3
SPEED = 343.2
"""m/s at 20 °C, for path differences in words."""
_RESPONSES = "the files are impulse responses, not recordings"
_GRID: Floats = np.geomspace(20.0, 20000.0, 240)


@dataclass(frozen=True)
class Ratio:
    """A sampling rate other than the one stated: samples recorded for each played, and what it gains."""

    label: str
    ratio: float
    gain: float


def ratio_of(
    files: Sequence[RecordedFile],
    found: Sequence[Heard],
    on_axis: Sequence[str],
    excitation: Excitation | None,
    options: CaptureOptions,
) -> Ratio | None:
    """Look for another sampling rate where the response on the axis (or else the first one) is not compact."""
    if excitation is None or excitation.signal is None or options.loopback is not None:
        return None
    label = on_axis[0] if on_axis else found[0].label
    one = next(one for one in found if one.label == label)
    if one.facts.compact >= COMPACT:
        return None
    file = next(file for file in files if file.label == label)
    record = samples_of(file.path, file.label, file.header, [options.channel])[0]
    ratio, gain = clock_ratio(record, excitation.signal, file.header.sampling_rate, excitation.band)
    return Ratio(label, ratio, gain) if ratio != 1 else None


def check_captures(captures: Captured, drive: str, options: CaptureOptions) -> tuple[Check, ...]:
    """Check the recordings of a device.

    Parameters
    ----------
    captures : Captured
        All of them.
    drive : str
        Word of the drive that the responses are taken from: polarity and echoes are looked at there.
    options : CaptureOptions
    """
    chosen = [one for one in captures.heard if one.drive == drive]
    return (
        _clipping(captures.heard),
        _signal_to_noise(captures),
        _hum(captures),
        _sweep_end(captures),
        _clock(captures, chosen, options),
        *_sweep_law(captures, options),
        *_drives(captures, options),
        _polarity(chosen),
        _agreement(chosen, captures.sampling_rate),
        _reflection(captures, chosen, options),
    )


def _clipping(heard: Sequence[Heard]) -> Check:
    values = []
    for one in heard:
        facts = one.facts
        at_top = facts.peak >= FULL
        # Below full scale, flat tops are another stage's, or chance: never worse than doubtful.
        count = facts.clipped if at_top else min(facts.clipped, 10) if facts.clipped >= FLAT else 0
        values.append((one.label, float(count)))
    greatest = max(heard, key=lambda one: one.facts.peak)
    worst = max(values, key=lambda one: one[1])
    peak = 20 * math.log10(greatest.facts.peak)
    found = f"greatest value {peak:+.2f} dB re full scale ({greatest.label})"
    if worst[1]:
        count = next(one.facts.clipped for one in heard if one.label == worst[0])
        found += f"; {count} samples stand at the greatest value of {worst[0]}"
        if next(one.facts.peak for one in heard if one.label == worst[0]) < FULL:
            found += ", below full scale: a stage before the converter clips, or gain was changed afterwards"
    return made("clipping", found, values)


def _judged(one: Heard, valid: tuple[float, float]) -> NDArray[np.bool_]:
    """Third octaves in which a recording holds the loudspeaker."""
    edge = 10**0.05
    inside = (BANDS / edge >= valid[0] * 0.999) & (BANDS * edge <= valid[1] * 1.001)
    power = np.where(inside & np.isfinite(one.facts.sound_power), one.facts.sound_power, 0.0)
    return np.asarray(inside & (power > power.max() * 10 ** (-AUDIBLE / 10)))


def _signal_to_noise(captures: Captured) -> Check:
    if captures.excitation is None:
        return not_made("signal-to-noise", _RESPONSES)
    ratios = np.full((len(captures.heard), BANDS.size), np.nan)
    values: list[tuple[str, float]] = []
    lowest: list[tuple[float, float, str]] = []
    for row, one in enumerate(captures.heard):
        told = _judged(one, captures.valid)
        ratios[row, told] = band_signal_to_noise(one.facts.sound_power, one.facts.silence_power)[told]
        if np.isfinite(ratios[row]).any():
            at = int(np.nanargmin(ratios[row]))
            values.append((one.label, float(ratios[row, at])))
            lowest.append((float(ratios[row, at]), float(BANDS[at]), one.label))
    if not values:
        return not_made("signal-to-noise", "no recording has 50 ms of silence before or after the sound")
    some = np.isfinite(ratios).any(axis=0)
    least, middle = np.nanmin(ratios[:, some], axis=0), np.nanmedian(ratios[:, some], axis=0)
    ratio, at_band, label = min(lowest)
    found = f"at least {ratio:.1f} dB, in the third octave at {at_band:.4g} Hz of {label}; "
    found += f"{np.median(middle):.1f} dB in the median"
    series = Series(
        "Frequency in Hz",
        "Signal to noise in dB",
        tuple(BANDS[some].tolist()),
        (("least", tuple(least.tolist())), ("median", tuple(middle.tolist()))),
        log=True,
    )
    return made("signal-to-noise", found, values, series)


def _hum(captures: Captured) -> Check:
    if captures.excitation is None:
        return not_made("hum", _RESPONSES)
    told = [one for one in captures.heard if one.facts.hum is not None]
    if not told:
        return not_made("hum", "no recording has 0.25 s of silence before or after the sound")
    values: list[tuple[str, float]] = []
    margins: dict[int, float] = {}
    mains: list[float] = []
    for one in told:
        hum = one.facts.hum
        if hum is None or not hum.mains:
            continue
        mains.append(hum.mains)
        judged = _judged(one, captures.valid)
        for frequency, power in zip(hum.frequency, hum.power, strict=True):
            band = int(np.argmin(np.abs(np.log(BANDS / frequency))))
            if judged[band] and power > 0:
                sound = max(float(one.facts.sound_power[band]) - power, 1e-3 * power)
                margin = 10 * math.log10(sound / power)
                values.append((one.label, margin))
                line = round(frequency / hum.mains)
                margins[line] = min(margins.get(line, math.inf), margin)
    if not mains:
        return made("hum", f"no line of 50 or 60 Hz mains in the silence of {len(told)} recordings")
    frequency = max(set(mains), key=lambda one: (mains.count(one), one))
    lead = f"{frequency:g} Hz mains in {len(mains)} of {len(told)} recordings"
    if not margins:
        return made("hum", f"{lead}, outside the bands that are judged")
    worst = sorted(margins, key=lambda line: margins[line])[:4]
    lines = ", ".join(f"{frequency * line:g} Hz {margins[line]:.1f} dB" for line in worst)
    return made("hum", f"{lead}; at least below the sound in the same third octave: {lines}", values)


def _law(excitation: Excitation, rate: int) -> Floats:
    assert excitation.signal is not None
    return excitation_delay(excitation.signal, rate, _GRID)


def _sweep_end(captures: Captured) -> Check:
    excitation = captures.excitation
    if excitation is None:
        return not_made("sweep-end", _RESPONSES)
    values, cut = [], []
    for one in captures.heard:
        facts = one.facts
        if facts.played is None:
            continue
        end = facts.arrival + facts.played
        lacking = end - facts.length
        early = end - facts.ending.time
        stops = facts.ending.fall >= ABRUPT and early > EASY
        if stops:
            lacking = max(lacking, early)
        if facts.arrival < -1e-4:
            lacking = max(lacking, -facts.arrival)
        values.append((one.label, 1e3 * lacking))
        if lacking > 0:
            cut.append((lacking, one.label, facts.arrival < -1e-4 and lacking == -facts.arrival))
    if not values:
        return not_made("sweep-end", "it is not known when the sweep ends")
    if not cut:
        least = -max(value for _, value in values)
        return made(
            "sweep-end", f"every recording goes on at least {least:.0f} ms after the sweep's end arrives", values
        )
    worst, label, begins_late = max(cut)
    if begins_late:
        found = f"{label} begins {1e3 * worst:.1f} ms after the sweep did"
    else:
        found = f"the sound of {label} stops {1e3 * worst:.1f} ms before the sweep's end arrives"
        if excitation.signal is not None and excitation.ends is not None:
            law = _law(excitation, captures.sampling_rate)
            inside = (excitation.band[0] < _GRID) & (excitation.band[1] > _GRID)
            if inside.any() and (np.diff(law[inside]) > 0).all():
                last = float(np.interp(excitation.ends - worst, law[inside], _GRID[inside]))
                found += f": nothing above {last:.4g} Hz"
    return made("sweep-end", found, values)


def _clock(captures: Captured, chosen: Sequence[Heard], options: CaptureOptions) -> Check:
    excitation, rate = captures.excitation, captures.sampling_rate
    if excitation is None:
        return not_made("clock", _RESPONSES)
    if options.loopback is not None or excitation.signal is None:
        return not_made("clock", "the loopback is recorded by the same clock as the sound")
    if captures.ratio is not None:
        found = captures.ratio
        text = (
            f"the recordings fit the excitation at {found.ratio:.5f} times its sampling rate, {found.gain:.0f} times "
            f"as compact ({found.label}): {_rates(found.ratio, rate)}"
        )
        return made("clock", text, [("all recordings", 1e6 * abs(found.ratio - 1))])
    law = _law(excitation, rate)
    front = sorted(chosen, key=lambda one: (abs(one.direction.angle), one.direction.plane, one.label))
    clocks, labels = [], []
    for one in front[:FILES_FOR_CLOCK]:
        try:
            clocks.append(clock_error(one.facts.early.astype(np.float64), rate, _GRID, law, excitation.band))
        except ValueError as error:
            return not_made("clock", f"the response cannot tell: {error}")
        labels.append(one.label)
    middle = sorted(clocks, key=lambda one: one.error)[len(clocks) // 2]
    said = f"{middle.error:+.0f} ppm from {', '.join(labels)}"
    if abs(middle.error) <= middle.unsure:
        text = f"no difference beyond {middle.unsure:.0f} ppm, which is what a crossover's delay can look like ({said})"
        return made("clock", text)
    more = f"the response is {100 * (middle.after / middle.before - 1):.1f} % more compact without it"
    text = f"{said}, where a crossover's delay can look like {middle.unsure:.0f} ppm; {more}"
    if abs(middle.error) > 1000:
        text += "; no two crystals differ so much: the excitation may be another than the one played"
    return made("clock", text, [("all recordings", abs(middle.error))])


def _rates(ratio: float, rate: int) -> str:
    """The pair of rates that a ratio stands for."""
    return (
        f"recorded at {rate * ratio:.0f} Hz and labelled {rate} Hz, if the excitation is the one played, at {rate} Hz; "
        "or a sweep of another start, stop or duration was played"
    )


def _sweep_law(captures: Captured, options: CaptureOptions) -> Iterator[Check]:
    """The law of the sweep says where harmonics are; what was played says so too, unless the law itself is played."""
    excitation = captures.excitation
    if options.harmonics is None or excitation is None or excitation.rate is None:
        return
    if options.loopback is not None:
        off = {one.label: one.misplaced for one in captures.heard if one.misplaced is not None}
    elif options.excitation is not None and excitation.signal is not None:
        how = captures.sampling_rate, excitation.rate, options.harmonics.orders, excitation.band
        off = {options.excitation.name: harmonic_misplacement(excitation.signal, *how)}
    else:
        return
    off = {label: value for label, value in off.items() if math.isfinite(value)}
    if not off:
        yield not_made("sweep-law", "no harmonic order lies within the band")
        return
    worst = max(off, key=lambda label: abs(off[label]))
    found = f"harmonic orders are within {1e3 * abs(off[worst]):.2g} ms of where the law of the sweep says"
    if abs(off[worst]) > 5e-4:
        found = (
            f"harmonic orders are {1e3 * abs(off[worst]):.3g} ms {'before' if off[worst] > 0 else 'after'} where the "
            f"option `sweep` says, by what was played ({worst}): its kind, start, stop or duration is another"
        )
    yield made("sweep-law", found, [(label, 1e3 * abs(value)) for label, value in off.items()])


def _drives(captures: Captured, options: CaptureOptions) -> Iterator[Check]:
    """Stated drives against the loopback's volts or, where that has none, against the levels on the axis."""
    if captures.excitation is None:
        return
    told = [one for one in captures.heard if one.drive in captures.volts]
    off: dict[str, float]
    if options.loopback_volts is not None and options.loopback is not None:
        off = {one.label: 20 * math.log10(one.volts / captures.volts[one.drive]) for one in told if one.volts}
        against = "by the loopback"
    else:
        told = [one for one in told if one.label in captures.on_axis]
        if len({captures.volts[one.drive] for one in told}) < 2:
            return
        with np.errstate(divide="ignore"):
            levels = np.array([20 * np.log10(np.abs(one.spectrum)) for one in told])
        found = level_by_drive(levels, [captures.volts[one.drive] for one in told])
        off = {one.label: float(value) for one, value in zip(told, found, strict=True)}
        against = "by the level on the axis, re the lowest drive"
    off = {label: value for label, value in off.items() if math.isfinite(value)}
    if not off:
        yield not_made("drive", "drives or volts of the loopback are not known")
        return
    by_drive: dict[float, float] = {}
    for one in told:
        volts = captures.volts[one.drive]
        if one.label in off and abs(off[one.label]) >= abs(by_drive.get(volts, 0.0)):
            by_drive[volts] = off[one.label]
    listed = drives_in_words(sorted(by_drive), [by_drive[volts] for volts in sorted(by_drive)])
    alike = len(by_drive) > 1 and np.ptp(list(by_drive.values())) < 1 and abs(min(by_drive.values(), key=abs)) > 2
    if options.loopback_volts is not None and alike:
        listed += ": all alike, so `loopback_volts` may be another"
    yield made("drive", f"stated drives, {against}: {listed}", [(label, abs(value)) for label, value in off.items()])


def _on_axis(chosen: Sequence[Heard]) -> list[Heard]:
    nearest = min(abs(one.direction.angle) for one in chosen)
    return [one for one in chosen if abs(one.direction.angle) == nearest]


def _polarity(chosen: Sequence[Heard]) -> Check:
    axis = _on_axis(chosen)
    if abs(axis[0].direction.angle) > NEAR:
        return not_made("polarity", f"no recording within {NEAR:g}° of the axis")
    values = [(one.label, 1.0 if one.facts.polarity < 0 else 0.0) for one in axis]
    turned = sum(value for _, value in values) > 0
    way = "downwards: microphone, amplifier or loudspeaker turns it over" if turned else "upwards"
    return made("polarity", f"the first large swing on the axis goes {way}", values)


def _walk(chosen: Sequence[Heard]) -> Iterator[list[Heard]]:
    """From the axis outwards both ways, on each orbit."""
    for plane in sorted({one.direction.plane for one in chosen}):
        orbit = [one for one in chosen if one.direction.plane == plane]
        for sign in (1, -1):
            side = [one for one in orbit if sign * one.direction.angle >= 0 or one.direction.angle == 180]
            yield sorted(side, key=lambda one: (abs(one.direction.angle), one.label))


def _agreement(chosen: Sequence[Heard], rate: int) -> Check:
    turned: dict[str, float] = {}
    compared = 0
    for side in _walk(chosen):
        if not side or abs(side[0].direction.angle) > NEAR:
            continue
        known: list[tuple[Heard, int]] = [(side[0], 1)]
        for one in side[1:]:
            angle = abs(one.direction.angle)
            nearest = [(other, sign) for other, sign in known if angle - abs(other.direction.angle) <= NEAR]
            best = (0.0, 0)
            for other, sign in nearest[-3:]:
                alike = normalized_correlation(
                    one.facts.early.astype(np.float64), other.facts.early.astype(np.float64), rate
                )
                if abs(alike) > abs(best[0]):
                    best = (alike, sign)
            if abs(best[0]) < LIKE:
                continue
            sign = best[1] if best[0] > 0 else -best[1]
            known.append((one, sign))
            compared += 1
            turned[one.label] = max(turned.get(one.label, 0.0), 1.0 if sign < 0 else 0.0)
        turned.setdefault(side[0].label, 0.0)
    if not compared:
        return not_made("polarity-agreement", f"no two recordings within {NEAR:g}° of each other are alike enough")
    names = [label for label, value in turned.items() if value]
    if len(names) > len(turned) / 2:
        # The one they are compared with is the odd one.
        turned = {label: 1.0 - value for label, value in turned.items()}
        names = [label for label, value in turned.items() if value]
    found = f"{len(names)} of {len(turned)} recordings that can be compared are turned over against the others"
    return made("polarity-agreement", found, sorted(turned.items()))


def _reflection(captures: Captured, chosen: Sequence[Heard], options: CaptureOptions) -> Check:
    rate, excitation = captures.sampling_rate, captures.excitation
    band = (800.0, 16000.0)
    if excitation is not None:
        band = max(band[0], 1.2 * excitation.band[0]), min(band[1], 0.9 * excitation.band[1])
    front = [one for one in chosen if abs(one.direction.angle) <= FRONT]
    if not front:
        return not_made("reflection", f"no recording within {FRONT:g}° of the axis")
    window = captures.window if options.window is not None else None
    end = math.inf if window is None else window.after
    values, inside, beyond = [], [], []
    for one in front:
        try:
            echo = first_reflection(one.facts.early.astype(np.float64), rate, EARLY[0], band)
        except ValueError as error:
            return not_made("reflection", str(error))
        if math.isnan(echo.delay):
            continue
        if echo.delay < end:
            values.append((one.label, echo.level))
            inside.append((echo.delay, echo.level, one.label))
        else:
            beyond.append((echo.delay, echo.level, one.label))
    series = _early(_on_axis(front)[0], rate, [*inside, *beyond])
    place = "in the responses, which have no window" if window is None else f"inside the window of {1e3 * end:g} ms"
    if inside:
        delay, level, label = min(inside)
        supports = lowest_valid_frequency(Window(0.0, delay, 0.0, "rectangular"))
        found = (
            f"first {place} {1e3 * delay:.2f} ms after the sound, {level:.1f} dB re it ({label}; in {len(inside)} of "
            f"{len(front)} recordings): a way {SPEED * delay:.2f} m longer; a window that ends before it tells nothing "
            f"under {supports:.0f} Hz"
        )
    elif beyond:
        delay, level, label = min(beyond)
        found = f"none {place}; the first comes {1e3 * delay:.2f} ms after the sound, {level:.1f} dB re it ({label})"
    else:
        last = 1e3 * (EARLY[1] - 0.004)
        found = (
            f"none from 1.5 to {last:.0f} ms after the sound in {len(front)} recordings within {FRONT:g}° of the axis"
        )
    return made("reflection", found, values, series)


def _early(one: Heard, rate: int, echoes: Sequence[tuple[float, float, str]]) -> Series:
    """Greatest magnitude per tenth of a millisecond of an early response, and its echo if it has one."""
    early = np.abs(one.facts.early.astype(np.float64))
    edges = np.arange(-0.001, EARLY[1] - 1e-4, 1e-4)
    first = np.round((edges + EARLY[0]) * rate).astype(int)
    last = np.maximum(np.round((edges + 1e-4 + EARLY[0]) * rate).astype(int), first + 1)
    greatest = np.array([early[a:b].max() for a, b in zip(first, last, strict=True)])
    level = 20 * np.log10(np.maximum(greatest, 1e-6 * early.max()) / early.max())
    own = next(((delay, size) for delay, size, label in echoes if label == one.label), None)
    marks: list[float | None] = [None] * edges.size
    if own is not None:
        marks[int(np.argmin(np.abs(edges + 5e-5 - own[0])))] = own[1]
    return Series(
        "Time after the sound in ms",
        "Level in dB",
        tuple((1e3 * (edges + 5e-5)).tolist()),
        (("early response on the axis", tuple(level.tolist())), ("echo", tuple(marks))),
        limited=False,
    )
