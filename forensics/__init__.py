"""Root-cause workbook for twin-screw chiller compressors."""
