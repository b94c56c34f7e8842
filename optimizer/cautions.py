"""What every output tells of the dangers of insecticide mist and of what stands behind the figures, said in one place.

Each sentence fits a line of the plan.
"""

from __future__ import annotations

CAUTIONS = (
    "Insecticide mist can harm people, pets and other animals, pollinators, food and water.",
    "The product's label is the law: what is misted, how much, when, how often and near whom.",
    "No mist while people, pets or uncovered food are near, in wind or in rain.",
    "None on ponds, streams, hives and plants in bloom; give neighbours notice.",
    "Local codes bind, licensed applicators decide: one must review every design.",
    "Power, water and back-flow protection: by licensed trades, after local codes.",
    "All figures come from the stated input: check them on site. No efficacy is claimed.",
)
# For where there is room for a line or two only
BRIEF = "Insecticide mist can hurt: the product's label is the law; local codes and licensed applicators decide."
# Beside every figure of the mist model
MIST_LIMITS = "The mist model knows no foliage and no stability classes of the air."
