"""The code of builds and images read as instructions: which ones a core lacks, and where they stand."""
