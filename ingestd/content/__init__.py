"""What lies on a volume: the walk, the look into files, the checksum lists."""
