"""Learning from corrections: checked rows become training frames and outcomes; a new models folder, the old one kept.

| module | yields |
|---|---|
| ``checked`` | checked rows of runs, split by clip into a part to learn from and a part held back |
| ``frames`` | frames of these rows with the people an analyst let stand, moved, added or deleted |
| ``graph`` | the shipped ONNX network as a torch module, and its weights back into the same file |
| ``finder`` | the finder trained further on these frames, and measured |
| ``confidence`` | how sure labels are, fitted anew on what was found right and wrong |
| ``store`` | the new models folder |
| ``make`` | the command |

Needs the extra ``learn`` (torch, onnx). Runs on a GPU where torch has one.
"""
