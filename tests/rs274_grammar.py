"""Program text read by a grammar that is not ours (tree-sitter-gcode)."""

from __future__ import annotations

import numpy as np
import tree_sitter
import tree_sitter_gcode

GRAMMAR = tree_sitter.Parser(tree_sitter.Language(tree_sitter_gcode.language()))


def words_of(text):
    """Lines of (letter, value) words and comments, by the independent grammar; it must not find an error."""
    root = GRAMMAR.parse(text.encode("ascii")).root_node
    assert not root.has_error, text
    lines = []
    for node in root.named_children:
        if node.type == "line":
            words = [word.text.decode() for word in node.named_children]
            lines.append([(word[0], word[1:] if word[0] == "#" else float(word[1:])) for word in words])
        else:
            assert node.type == "inline_comment"
            lines.append(node.text.decode())
    return lines


def motions_of(text, letters):
    """(mode, X Y Z, angles, feed) of every straight move, modal words carried on."""
    at, mode, motions = dict.fromkeys(("X", "Y", "Z", *letters), np.nan), None, []
    for line in words_of(text):
        if isinstance(line, str) or line[0][0] == "#" or ("G", 53.0) in line:  # machine coordinates are no position
            continue
        modes = [value for letter, value in line if letter == "G" and value in (0, 1, 2, 3, 38.2)]
        mode = modes[0] if modes else mode
        axes = {letter: value for letter, value in line if letter in at}
        if axes:
            at |= axes
            feed = dict(line).get("F", np.nan)
            motions.append((mode, np.array([at[c] for c in "XYZ"]), tuple(at[c] for c in letters), feed))
    return motions
