"""Mist: what becomes of drops once they have left the nozzle. Pure functions of numbers and arrays, SI inside.

air, spectrum        the air by the weather, the drops by their volume shares
settling, evaporation    how fast a drop falls, how long it lasts
wind, plume          the wind by height, the tilted plume of one class of drops (crosswind-integrated, closed forms)
kernel               all classes of one height and wind speed summed into tables by downwind distance
dosage               nozzles x cells x wind states: airborne dosage in a layer, deposit on the ground
account              where all of the mist goes, summing to 1
cards                the reach of a nozzle, fitted to what cards about it caught

Limits: level open ground, neutral air, no foliage and no walls that catch drops, one wind at a time.
"""
