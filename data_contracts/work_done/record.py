"""The record of a kind of work: what it touches, and the words and part numbers that tell of it."""

from dataclasses import dataclass

from data_contracts.bilingual import Words
from data_contracts.quantities.record import RepairKind


@dataclass(frozen=True)
class Work:
    """One kind of work, or one part and all work on it.

    Attributes
    ----------
    name : str
        Word in tables and in the register.
    title : Words
        For people.
    kinds : tuple of str
        What it is done to: the quantities whose record names one of them may move. Empty where no quantity does.
    words : tuple of str
        How workshops write it, in any language: whole words, in the singular. Case, umlauts, hyphens and common endings
        do not matter; of two that fit, the longer one counts ("fuel pump" and "water pump" before "pump").
    part_numbers : tuple of str
        Patterns of part numbers, with * for any characters and ? for one.
    quantities : tuple of str
        Quantities it touches besides; for works of a register.
    causes : tuple of str
        Causes whose job it is; for works of a register.
    """

    name: str
    title: Words
    kinds: tuple[RepairKind, ...]
    words: tuple[str, ...]
    part_numbers: tuple[str, ...] = ()
    quantities: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
