# %% [markdown]
# # Read a recording
#
# A whistle is made, its scale is recorded, and we want to know which note is off and what to cut. So that this page
# stands alone, the recording is made here too: by the program's own jet and air column, from a piece that differs
# from its design.

# %%
import fluewright as fw

design = fw.fit(fw.change(fw.load("d5-cylinder"), name="d5-hall", a4_hz=442.0, temperature_c=23.0)).model
design

# %% [markdown]
# ## The piece
# The maker left the body 1.5 mm long and the holes 0.6 mm small, on purpose: what is cut off does not come back.

# %%
as_built = {"length_mm": design.length_mm + 1.5}
as_built |= {f"holes.{hole.name}.diameter_mm": hole.diameter_mm - 0.6 for hole in design.holes}
take = fw.hear(fw.change(design, as_built), seed=3).save("take.wav")

# %% [markdown]
# ## What is in the recording
# Each note with the note that was meant; bars are two sigma.

# %%
heard = fw.listen(take, model=design)
heard

# %%
assert not heard.warnings  # nothing missing, nothing extra, no clipping
print(heard)

# %% [markdown]
# The level of each harmonic tells of the tone: a voicing that is off shows here before the ear tires of it.

# %%
heard.harmonics()

# %% [markdown]
# ## As a data frame
# Records are plain dicts: `pandas.DataFrame(heard.records())`. Without one, plain Python does.

# %%
flattest = min(heard.records(), key=lambda row: row["cents"])
print(f"{flattest['note']} is the flattest, {flattest['cents']:+.1f} cents")

# %% [markdown]
# ## What to cut
# The recording calibrates the model of this one piece; then the next cuts are those that bring most at a small chance
# of going too far. Hollow marks are what the cuts will make of it.

# %%
advice = fw.advise(design, take, sizes=as_built)
advice

# %%
assert advice.state == "cut"
for cut in advice.plan:
    print(f"{cut.note}: {cut.how}, with {cut.tool}; chance of going too far {cut.overshoot:.1%}")
    print(f"    {cut.lasts}. {cut.caution}")

# %% [markdown]
# ## Cut, and play again
# Half of the first cut, played again: the forecast is judged by what is heard.

# %%
first = advice.plan[0]
half = 0.5 * (first.before_mm + first.after_mm)
as_built[first.key] = half
again = fw.hear(fw.change(design, as_built), seed=4).save("again.wav")

# %%
after = fw.advise(design, again, sizes=as_built)
after

# %%
old, new = advice.records(), after.records()
moved = {row["note"]: new[i]["cents"] - row["cents"] for i, row in enumerate(old) if row["register"] == 1}
print({note: round(cents, 1) for note, cents in moved.items()})
assert moved[first.note] > 1.0  # the note for whose sake it was cut came up

# %% [markdown]
# With a ledger (`fw.open_ledger`) the trials of a piece count together, each cut is kept with its forecast, and
# finished pieces teach the next one.
