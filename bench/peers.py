"""What our times are divided by: one print, done plainly with a library and nothing else.

    peers.py vips|pillow SCAN OUT.jpg --angle DEG --box X Y W H --size W H --profile FILE.icc

The angle and the box are given, the JPEG quality is fixed; nothing is found, searched, hashed, archived, recorded
or checked. Turn (bicubic), cut, reduce (Lanczos), into the print profile and back (relative colorimetric, black
point compensation), white border, JPEG of quality 90 without chroma subsampling.
"""

import argparse

BORDER = 150


def main() -> None:
    """Read the words and run one of the two."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("library", choices=["vips", "pillow"])
    parser.add_argument("scan")
    parser.add_argument("out")
    parser.add_argument("--angle", type=float, default=0.0, help="degrees, clockwise on screen")
    parser.add_argument("--box", type=int, nargs=4, required=True)
    parser.add_argument("--size", type=int, nargs=2, required=True)
    parser.add_argument("--profile", required=True)
    words = parser.parse_args()
    {"vips": with_vips, "pillow": with_pillow}[words.library](words)


def with_vips(words: argparse.Namespace) -> None:
    """Plain libvips."""
    import pyvips

    x, y, wide, high = words.box
    width, height = words.size
    image = pyvips.Image.new_from_file(words.scan, access="sequential")
    depth = 16 if image.format == "ushort" else 8
    image = image.similarity(angle=words.angle, interpolate=pyvips.Interpolate.new("bicubic"))
    image = image.crop(x, y, wide, high).resize(width / wide, vscale=height / high, kernel="lanczos3")
    how = {"intent": "relative", "black_point_compensation": True}
    image = image.icc_transform(words.profile, input_profile="srgb", embedded=False, depth=depth, **how)
    image = image.icc_transform("srgb", input_profile=words.profile, depth=8, **how)
    image = image.embed(BORDER, BORDER, width + 2 * BORDER, height + 2 * BORDER, extend="white")
    image.jpegsave(words.out, Q=90, subsample_mode="off", optimize_coding=True)


def with_pillow(words: argparse.Namespace) -> None:
    """Plain Pillow, 8 bits."""
    from PIL import Image, ImageCms, ImageOps

    Image.MAX_IMAGE_PIXELS = None
    x, y, wide, high = words.box
    image = Image.open(words.scan).convert("RGB")
    image = image.rotate(-words.angle, resample=Image.Resampling.BICUBIC, expand=True)
    image = image.crop((x, y, x + wide, y + high)).resize(tuple(words.size), Image.Resampling.LANCZOS)
    srgb = ImageCms.createProfile("sRGB")
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    flags = ImageCms.Flags.SOFTPROOFING | ImageCms.Flags.BLACKPOINTCOMPENSATION
    printer = ImageCms.getOpenProfile(words.profile)
    proof = ImageCms.buildProofTransform(srgb, srgb, printer, "RGB", "RGB", intent, intent, flags)
    image = ImageCms.applyTransform(image, proof)
    image = ImageOps.expand(image, border=BORDER, fill="white")
    image.save(words.out, quality=90, subsampling=0, optimize=True, dpi=(360, 360))


if __name__ == "__main__":
    main()
