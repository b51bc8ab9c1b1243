# %% [markdown]
# # Design a whistle
#
# A music school wants whistles in D5 for a hall at 23 degC, tuned to A4 = 442 Hz. We start from a model that is near,
# see what matters, fit it, see what breath it wants, hear it, and print the sheet for the bench.

# %%
import fluewright as fw

fw.models()

# %% [markdown]
# ## The start
# The same sizes in the warmer hall at the higher standard: every note under the hole that governs it.

# %%
start = fw.change(fw.load("d5-cylinder"), name="d5-hall", a4_hz=442.0, temperature_c=23.0)
start

# %%
fw.draw(start)

# %%
before = fw.predict(start)
before

# %% [markdown]
# ## What matters
# Bars are cents for 0.1 mm. The foot end moves the lowest notes, the window's length all of them.

# %%
effects = fw.sensitivity(start)
effects

# %%
foot, window = effects.of("length_mm"), effects.of("head.window_length_mm")
assert foot["D5 1"] < foot["C#6 1"] <= 0.0  # a longer foot flattens the low notes most

# %% [markdown]
# ## How sure is that?
# Two uncertainties, one sigma: what the model may be off by, and what a small workshop's tolerances do. A better
# drill press narrows the second alone.

# %%
for row in before.records()[:7]:
    print(f"{row['note']:>4}  model {row['from_model_cents']:.1f}  sizes {row['from_sizes_cents']:.1f}")

# %%
careful = fw.predict(start, tolerances=fw.ShopTolerances(hole_diameter_mm=0.02, hole_position_mm=0.05))
assert careful.records()[4]["from_sizes_cents"] < before.records()[4]["from_sizes_cents"]

# %% [markdown]
# ## Fit
# Holes and length move within the reach of a hand, with drills of the shelf, until the notes are right at the planned
# breath.

# %%
fitted = fw.fit(start)
fitted

# %%
print(fitted)
assert not fitted.broken_rules

# %% [markdown]
# ## Breath
# A ring is the planned breath; full lines are where a register holds. No note may stand where it is about to jump.

# %%
blown = fw.blow(fitted.model)
blown

# %%
blown.octaves()

# %%
assert not blown.breath.at_risk
for row in blown.records():
    assert row["starts_pa"] < row["planned_pa"]

# %% [markdown]
# ## Hear it before any material is cut

# %%
fw.hear(fitted.model)

# %% [markdown]
# ## The head, and the papers for the bench

# %%
fw.draw(fitted.model, "head")

# %%
fw.save(fitted.model, "d5-hall.toml")
fw.sheet(fitted.model, "d5-hall.pdf")
