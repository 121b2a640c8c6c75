"""The campaign file of the demo."""

from __future__ import annotations

from textwrap import indent

__all__ = ["CAMPAIGN"]

_SETUP = """\
    setup:
      level_kind: spl
      distance: 2.0               # m, at which the exported level holds
      drive: 2.83                 # V r.m.s.
      reference_axis: centre of the tweeter
      environment: computed free field (fictional)
      valid_band: [20, 20000]     # Hz
      microphone: ideal point receiver
      temperature: 20             # °C
      pressure: 101.3             # kPa
      humidity: 50                # %
"""

_HARMONICS = """\
    # Sweeps on the axis at 0.7 to 11.3 V, and 0.7 V once more at the end. High levels hurt hearing and equipment: wear
    # hearing protection, start low, watch the excursion below the box's tuning, and follow local rules and qualified
    # advice.
    harmonics:
"""

_SWEEP = """\
        sweep: {kind: exponential, start: 18, stop: 21000, duration: 5.6, fade_in: 0.030, fade_out: 0.005}
        calibrator: raw/calibrator.wav        # 94 dB at 1 kHz
        harmonics: {orders: 9}
"""

_SHARED = """\
calibration:
  {value: 0.4, kind: expanded, source: "certificate of the calibrator, k = 2 (fictional)"}
microphone:
  value: [[20, 0.3], [4000, 0.3], [20000, 1.0]]       # Hz and dB
  kind: expanded
  source: certificate of the microphone, k = 2 (fictional)
gain_and_drive:
  {value: 0.1, kind: rectangular, source: "limits of the voltmeter's data sheet (fictional)"}
distance:
  {value: 0.01, kind: rectangular, source: "judgement: tape measure, m"}
impedance:                      # per cent of the modulus
  {value: 1.0, kind: rectangular, source: "limits of the reference resistor's data sheet (fictional)"}
impedance_phase:                # degrees
  {value: 0.5, kind: rectangular, source: "judgement: both channels on one resistor"}
"""
"""Components for all devices; a device's own section replaces that of the campaign."""

CAMPAIGN = f"""\
anechain: 1                       # version of this file's format
title: Loudspeakers for small community halls
about: >-
  A fictional campaign. Five loudspeakers that do not exist, computed from a physical model and written as the raw
  exports of four instruments.
licence: CC-BY-4.0
people:
  - name: The hall workshop
uncertainty:                      # uncertainties include stated components only
{indent(_SHARED, "  ")}\
  angle:
    {{value: 0.5, source: "judgement: scale of the turntable, degrees"}}
  repeatability:                  # of a single capture, without its angle; a gain is one error at all frequencies
    {{value: 0.07, octaves: broadband, source: "judgement: gain and distance of each capture"}}
devices:
  rowan:
    title: Rowan
    kind: sealed two-way
    about: 13 cm woofer in 5.5 litres; the tweeter stands 22 mm left of the middle.
    listening:
      - who: hall workshop
        room: reading room, 60 m², on a shelf
        text: >-
          Clear and light. A little bass comes back from the wall behind it. Standing up at the front table, a voice
          turns hollow.
    responses:
      files: [raw/rowan/*.txt]
      importer: delimited
      options:
        pattern: "rowan {{plane}} {{angle}}.txt"
        planes: {{waagerecht: horizontal, senkrecht: vertical}}
        positive_is: {{horizontal: right}}
        columns: {{frequency: 1, level: 2, phase: 3}}
        separator: tab
        decimal: comma
        encoding: latin-1
{_HARMONICS}\
      files: ["raw/rowan/drives/*.wav"]
      importer: capture
      options:
        pattern: "rowan {{plane}} {{angle}} {{drive}} V {{take}} {{order}}.wav"
        planes: {{waagerecht: horizontal}}
{_SWEEP}\
    impedance:
      files: [raw/impedance/rowan.txt]
      setup: {{drive: 0.5}}
{_SETUP}\
  alder:
    title: Alder
    kind: vented two-way with a waveguide
    about: 17 cm woofer in 20 litres tuned to 41 Hz.
    listening:
      - who: hall workshop
        room: village hall, 140 m², on stands
        text: >-
          Much the same from every seat. One note of the piano, D sharp in the octave above the middle
          one, hangs on after the others.
    responses:
      files: [raw/alder/*.csv]
      importer: delimited
      options:
        pattern: "alder_{{plane}}_{{angle}}_{{take}}.csv"
{_HARMONICS}\
      # raw/alder/warm has the same sweeps after 20 minutes of pink noise at 16 V, one every 8 s. To see the effect of
      # a hot voice coil, replace drives by warm, twice.
      files: ["raw/alder/drives/*.wav"]
      importer: capture
      options:
        manifest: raw/alder/drives/manifest.csv
{_SWEEP}\
    uncertainty:                  # without sizes of angle and repeatability: three takes show them
{indent(_SHARED, "      ")}\
      repeatability: {{octaves: broadband}}          # most of it is the gain of each capture
    impedance:
      files: [raw/impedance/alder.csv]
      setup: {{drive: 0.5}}
{_SETUP}\
  hornbeam:
    title: Hornbeam
    kind: vented, two woofers around a tweeter
    about: Two 13 cm woofers in 13 litres tuned to 52 Hz.
    listening:
      - who: hall workshop
        room: village hall, 140 m², on stands
        text: Loud enough for the whole hall. Up on the gallery the middle of a voice goes missing.
    responses:
      files: [raw/hornbeam/hornbeam.sofa]
      importer: sofa
      options: {{quantity: pascal}}  # not stated in the file; from the manual of the exporting program
    impedance:
      files: [raw/impedance/hornbeam.csv]        # kHz, real and imaginary part
{_SETUP}\
  willow:
    title: Willow
    kind: open-baffle dipole
    about: 20 cm woofer and two tweeters back to back on a baffle with rounded edges.
    listening:
      - who: hall workshop
        room: village hall, 140 m², 1.5 m from the wall
        text: >-
          Lean in the bass, and so quiet at its side that the lectern microphone can stand there. It needs room
          behind it.
    responses:
      files: ["raw/willow/take *.txt"]
      importer: delimited
      options:
        manifest: raw/willow/manifest.csv
        separator: semicolon
        encoding: utf-16
    impedance:
      files: [raw/impedance/willow.txt]          # without phase
      setup: {{drive: 0.5}}
{_SETUP}\
  hazel:
    title: Hazel
    kind: coaxial two-way
    about: 20 cm woofer in 30 litres tuned to 40 Hz; the tweeter radiates out of its cone.
    listening:
      - who: hall workshop
        room: village hall, 140 m², on stands
        text: >-
          A voice stays whole from the floor to the gallery. Towards the side walls everything turns dull, and equally
          so.
    responses:
      files: [raw/hazel/*.csv]
      importer: delimited
      options:
        pattern: "hazel_{{plane}}_{{angle}}.csv"
    impedance:
      files: [raw/impedance/hazel.csv]
      setup: {{drive: 0.5}}
{_SETUP}\
derivation: {{smoothing: 20}}
batch_size: 3                     # devices per job: two jobs of a stage, for two cores
"""
