"""Entry point of ``python -m data_demo``."""

from data_demo.generate import main

main()
