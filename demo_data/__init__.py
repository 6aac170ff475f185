"""An invented limb-lengthening service: seeded generator and the tables it makes."""
