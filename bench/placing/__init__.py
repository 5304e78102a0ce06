"""Material for the benchmark of placement: songs, clips filmed of them, and simpler methods to stand beside."""
