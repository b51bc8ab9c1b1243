// Before the page is drawn, so that it does not flash in the wrong colours.
"use strict";
const kept = localStorage.getItem("theme");
const dark = kept ? kept === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
document.documentElement.dataset.theme = dark ? "dark" : "light";
