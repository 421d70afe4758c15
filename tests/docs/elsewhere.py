"""What the documents say to type and no test here types: each with the reason, and where it runs instead."""

BY_MAKE = "what runs these tests, or takes minutes to hours; its target is looked at"
ROOT = "it changes the whole computer; tests/packages does the same in a root of its own"
TRUSTED = "it asks a registry for a package, which is not ours to test"

NOT_TYPED = {
    "make test": BY_MAKE,
    "make attack": BY_MAKE,
    "make soak": BY_MAKE,
    "make bench": BY_MAKE,
    "make bench ARGS=plant": BY_MAKE,
    "make bench ARGS=database": BY_MAKE,
    "make mutants": BY_MAKE,
    'make mutants ARGS="form"': BY_MAKE,
    "make packages": BY_MAKE,
    "make demo": "it goes on until Ctrl-C; with --once it is typed",
    'make demo ARGS="--broker HOST"': "it goes on until Ctrl-C; test_demo_broker.py runs it at a real broker",
    "sudo dpkg -i dist/gaugepost_0.1.0-1_amd64.deb": ROOT,
    "sudo systemctl enable --now gaugepost": ROOT,
    "systemctl reload gaugepost": "test_unit_at_work.py does it at a real service manager",
    "tar -xzf dist/gaugepost-0.1.0-cp311-x86_64.tar.gz": "test_packages.py does, with the bundle that it built",
    "sh gaugepost-0.1.0-cp311-x86_64/install.sh /srv/gaugepost": "test_packages.py does, into a root of its own",
    'python -m pip install "psycopg[binary]"': TRUSTED,
    "gaugepost teach serial_port device=/dev/ttyUSB0 --probe --write bore": (
        "a pseudo-terminal has no speed; test_teach_probing.py runs it on a line that is modelled to the bit"
    ),
    "gaugepost teach bluetooth_le address=00:11:22:33:44:55 --write bore": (
        "it needs a Bluetooth service; test_teach_by_radio.py teaches over one"
    ),
}
