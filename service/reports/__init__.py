"""The written report: what it says, the page and the PDF of it, and what is still missing for it."""
