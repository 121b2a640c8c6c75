"""The demo's campaign file, as a person would write it."""

from __future__ import annotations

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

CAMPAIGN = f"""\
anechain: 1                       # version of this file's format
title: Loudspeakers for small community halls
about: >-
  A fictional campaign. Four loudspeakers that do not exist, computed from a physical model, each written as the
  raw exports of another instrument.
licence: CC-BY-4.0
people:
  - name: The hall workshop
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
        pattern: "alder_{{plane}}_{{angle}}.csv"
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
      options: {{quantity: pascal}}  # AES69 does not say; the exporting program's manual does
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
{_SETUP}\
derivation: {{smoothing: 20}}
"""
