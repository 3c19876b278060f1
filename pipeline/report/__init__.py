"""A report for a coach: what the opponent shows and what it becomes, as one self-contained page.

| module | yields |
|---|---|
| ``plays`` | plays of one or several runs, corrections applied, with their situation |
| ``counting`` | shares with their interval; groups; what differs between situations |
| ``drawing`` | SVG: bars, matrices, distributions, top-down maps |
| ``thumbs`` | small pictures as data, each once in the page |
| ``page`` | HTML: sections, links from every number to its snaps, print |
| ``sections`` | what the report says |
| ``quiz`` | snap first, answer after |
| ``make`` | the command |

Nothing is said on fewer than five snaps; every percentage stands beside its count and interval.
"""
