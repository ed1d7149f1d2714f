# Everyday commands. Each hands over to tools/environment.py, which also runs without make:
#     python3 tools/environment.py demo        (Windows: py tools\environment.py demo)
# Another Python: make demo PYTHON=python3.12      More words: make test ARGS="-k units"
PYTHON ?= python3
ARGS ?=

.PHONY: demo test app setup check lock clean
.NOTPARALLEL:
.DEFAULT_GOAL := demo

demo test app setup check lock clean:
	@$(PYTHON) tools/environment.py $@ $(ARGS)
