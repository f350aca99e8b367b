"""Codes and values of the tags that are read: TIFF 6.0, TIFF/EP (ISO 12234-2), Exif, DNG."""

from __future__ import annotations

# of a picture: TIFF 6.0, section 8, and TIFF/EP
SUBFILE, WIDTH, HEIGHT, BITS, COMPRESSION, PHOTOMETRIC, SAMPLES = 254, 256, 257, 258, 259, 262, 277
ROWS_PER_STRIP, PLANAR, TILE_WIDTH, TILE_HEIGHT, SAMPLE_FORMAT = 278, 284, 322, 323, 339
STRIPS, TILES, PREVIEW, VENDOR_BLOCK = (273, 279), (324, 325), (513, 514), (0x7200, 0x7201)
"""Where stretches of the file begin, and how many bytes each has."""

SLICES = 50752
"""Of some makers: how many upright slices but the last, their width, and that of the last (known
well in public, from memory)."""

# of directories, the camera and the exposure: TIFF 6.0, TIFF/EP, Exif; private data of DNG
SUB_DIRECTORIES, EXIF, GPS, PRIVATE = 330, 34665, 34853, 50740
MAKE, MODEL, LENS, UNIQUE_MODEL, MAKER_NOTE = 271, 272, 42036, 50708, 37500
SHUTTER, F_NUMBER, ISO, TAKEN, SUBSECOND = 33434, 33437, 34855, 36867, 37521

# of the mosaic and its levels: TIFF/EP, and DNG, chapter 4
FILTER_REPEAT, FILTERS = 33421, 33422
DNG_VERSION, LINEARIZATION, ACTIVE_AREA, MASKED_AREAS = 50706, 50712, 50829, 50830
BLACK_REPEAT, BLACK, BLACK_ALONG_ROW, BLACK_ALONG_COLUMN, WHITE = 50713, 50714, 50715, 50716, 50717
ANALOG_BALANCE, NEUTRAL = 50727, 50728
MATRICES = ((50721, 50778, 50723), (50722, 50779, 50724), (52531, 52529, 52530))
"""ColorMatrix, CalibrationIlluminant and CameraCalibration, first to third."""

CFA, LINEAR_RAW = 32803, 34892
"""Photometric interpretations of raw pictures: a mosaic, and full planes."""

UNCOMPRESSED, OLD_JPEG, JPEG, DEFLATE, LOSSY_JPEG, JPEG_XL = 1, 6, 7, 8, 34892, 52546
"""Values of COMPRESSION; in a raw mosaic 7 is the lossless process (DNG, chapter 3)."""

FLOATING, SAMPLES_APART = 3, 2
"""Values of SAMPLE_FORMAT and of PLANAR."""
