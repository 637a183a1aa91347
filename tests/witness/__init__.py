"""An independent witness: a forward sampler that reads the model files with code of its own.

Nothing here imports ``benchodds``, but for :mod:`witness.compare`, which sets the two beside each
other. What a reading is stands in DEVELOPERS.md ("What a reading is").
"""
