"""Hydraulics: pure functions of numbers and arrays, SI inside. No geometry, no optimisation, no money.

Pressures are gauge pressures. Every length, pressure and flow carries its unit in its name.
"""
