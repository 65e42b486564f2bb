"""What is shared? Figures, HTML, PDF, standard objects."""
