"""A run for people who live in a spreadsheet, and their edits back as acts of the audit.

| module | yields |
|---|---|
| ``gather`` | rows with corrections applied, the columns wanted, facts of the run |
| ``write`` | CSV, JSON, Parquet |
| ``workbook`` | xlsx |
| ``cells`` | an edited file as cells with their places |
| ``edits`` | what was edited since the export, as events; conflicts; refusals with the cell named |
"""
